//! What a flag is called, says and asks for: the one table of sentences that notices, the API and
//! through it the pages speak from.
//!
//! A text never says when to act: the severity does ([`when_to_act`]), and the same kind is
//! more pressing for one goal than for another. Several kinds can be open at one hive at once, so
//! whatever asks for syrup says itself when not to pour, and never contradicts its neighbour. All
//! of it is common practice; local rules and licensed practice come first.

use larder_domain::names::one_line;
use larder_domain::{Flag, FlagKind, Severity};

/// The words for one kind of flag.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct FlagTexts {
    /// The state in a word or two, beside a mark or in a list: "refill due".
    pub word: &'static str,
    /// What is said of one place, without a full stop: "has no syrup left".
    pub one: &'static str,
    /// What is said of several: "have no syrup left".
    pub many: &'static str,
    /// What to do about it, in full sentences.
    pub act: &'static str,
    /// What could hurt someone, or the bees, while doing it; `None`: nothing of its own.
    pub caution: Option<&'static str>,
}

impl FlagTexts {
    /// The words for a kind.
    pub fn of(kind: FlagKind) -> Self {
        match kind {
            FlagKind::RefillDue => REFILL_DUE,
            FlagKind::Empty => EMPTY,
            FlagKind::Stalled => STALLED,
            FlagKind::TooCold => TOO_COLD,
            FlagKind::Souring => SOURING,
            FlagKind::Leaking => LEAKING,
            FlagKind::Robbed => ROBBED,
            FlagKind::Displaced => DISPLACED,
            FlagKind::FlowOn => FLOW_ON,
            FlagKind::NeedsFeed => NEEDS_FEED,
            FlagKind::BehindTarget => BEHIND_TARGET,
            FlagKind::Swarmed => SWARMED,
            FlagKind::Tipped => TIPPED,
            FlagKind::Opened => OPENED,
            FlagKind::Silent => SILENT,
            FlagKind::SensorFault => SENSOR_FAULT,
            FlagKind::LowBattery => LOW_BATTERY,
        }
    }

    /// The state as a sentence about one place.
    pub fn sentence(&self, place: &str) -> String {
        format!("{place} {}.", self.one)
    }

    /// What to do and what to mind, in one text.
    pub fn act_with_caution(&self) -> String {
        match self.caution {
            Some(caution) => format!("{} {caution}", self.act),
            None => self.act.to_owned(),
        }
    }
}

const REFILL_DUE: FlagTexts = FlagTexts {
    word: "refill due",
    one: "needs syrup soon",
    many: "need syrup soon",
    act: "Fill it, unless flowers feed it by then or it is too cold for syrup.",
    caution: Some(POURING),
};

const EMPTY: FlagTexts = FlagTexts {
    word: "empty",
    one: "has no syrup left",
    many: "have no syrup left",
    act: "Fill it, or take the feeder off if feeding is done, flowers feed it or it is too cold for syrup.",
    caution: Some(POURING),
};

const STALLED: FlagTexts = FlagTexts {
    word: "stalled",
    one: "has stopped taking syrup",
    many: "have stopped taking syrup",
    act: "Look in: queen, disease, a blocked feeder, or no room left.",
    caution: Some(
        "If it looks like a notifiable disease, move nothing and call your inspector. Local rules come first.",
    ),
};

const TOO_COLD: FlagTexts = FlagTexts {
    word: "too cold",
    one: "takes nothing while it is cold",
    many: "take nothing while it is cold",
    act: "Leave it closed; use fondant or candy if it is short of stores. Liquid syrup is of no use to it now.",
    caution: None,
};

const SOURING: FlagTexts = FlagTexts {
    word: "souring",
    one: "may hold syrup that is going off",
    many: "may hold syrup that is going off",
    act: "Smell it before you fill up. If it smells of yeast, empty the feeder and clean it first.",
    caution: Some(
        "Never feed syrup that ferments, and empty the feeder where no bees can reach what is poured out.",
    ),
};

const LEAKING: FlagTexts = FlagTexts {
    word: "leaking",
    one: "loses syrup that the bees do not take",
    many: "lose syrup that the bees do not take",
    act: "Look for a crack or a tilt, and level or change the feeder.",
    caution: Some(SPILLED),
};

const ROBBED: FlagTexts = FlagTexts {
    word: "robbed",
    one: "is being robbed",
    many: "are being robbed",
    act: "Close gaps and narrow the entrance; do not open or fill it before evening, and feed nothing in the open.",
    caution: Some(
        "Robbed colonies sting: dress for it. Spilled syrup draws more robbers. Local rules come first.",
    ),
};

const DISPLACED: FlagTexts = FlagTexts {
    word: "displaced",
    one: "has been moved or knocked over",
    many: "have been moved or knocked over",
    act: "Go and look, and bring a strap or a brick.",
    caution: Some(
        "A hive is heavy: do not lift it alone. Wash spilled syrup away: it draws robbers.",
    ),
};

const FLOW_ON: FlagTexts = FlagTexts {
    word: "flow on",
    one: "gains from flowers",
    many: "gain from flowers",
    act: "Pour no more syrup while it lasts, and take what is left off before supers go on.",
    caution: Some("Honey with syrup in it may not be sold as honey."),
};

const NEEDS_FEED: FlagTexts = FlagTexts {
    word: "needs feed",
    one: "runs short and has no feed on",
    many: "run short and have no feed on",
    act: "Put a feeder on, or fondant or candy while it is too cold for syrup.",
    caution: Some(POURING),
};

const BEHIND_TARGET: FlagTexts = FlagTexts {
    word: "behind target",
    one: "will miss its weight at this pace",
    many: "will miss their weight at this pace",
    act: "Feed more or sooner while it is warm enough, or join it with another colony in time.",
    caution: Some(
        "Join healthy colonies only: disease goes along with bees and combs. A full can is heavy: carry less at a time.",
    ),
};

const SWARMED: FlagTexts = FlagTexts {
    word: "swarmed",
    one: "may have swarmed",
    many: "may have swarmed",
    act: "Look for the swarm nearby, and in the hive for queen cells and room; see that it has a laying queen again in three to four weeks.",
    caution: Some(
        "Do not climb for a swarm alone. A swarm of unknown health stands apart at first. Local rules come first.",
    ),
};

const TIPPED: FlagTexts = FlagTexts {
    word: "tipped or gone",
    one: "no longer stands on its scale",
    many: "no longer stand on their scales",
    act: "Go and look: wind, an animal or a thief. Set it up again, closed, and strap it down.",
    caution: Some(
        "Bees of a hive on its side sting: dress for it. A hive is heavy: do not lift it alone. Wash spilled syrup away: it draws robbers.",
    ),
};

const OPENED: FlagTexts = FlagTexts {
    word: "opened",
    one: "was opened",
    many: "were opened",
    act: "Note what was done, if it was one of you; if not, look that it is closed well.",
    caution: None,
};

const SILENT: FlagTexts = FlagTexts {
    word: "silent",
    one: "is not heard",
    many: "are not heard",
    act: "Check its power and its signal.",
    caution: Some(MAINS),
};

const SENSOR_FAULT: FlagTexts = FlagTexts {
    word: "sensor fault",
    one: "reports values that can't be right",
    many: "report values that can't be right",
    act: "Clean the sensor, and check how it sits and what hangs on it.",
    caution: Some(MAINS),
};

const LOW_BATTERY: FlagTexts = FlagTexts {
    word: "low battery",
    one: "has a nearly empty battery",
    many: "have nearly empty batteries",
    act: "Take a charged battery along.",
    caution: Some("Do not charge a lithium cell below freezing."),
};

/// For whoever pours syrup.
const POURING: &str = "Pour in the evening where bees rob, and spill nothing. No syrup under honey supers. A full can is heavy: carry less at a time.";

/// For whoever finds syrup where none should be.
const SPILLED: &str = "Wash spilled syrup away: it draws robbers.";

/// For whoever touches an instrument.
const MAINS: &str = "Pull the plug of mains power before you touch anything wet.";

/// What a flag is about, as keepers name it: a hive, an instrument of it, an instrument of the yard
/// or the yard itself. `yard` and `hive` are their names; a name that was stored with line breaks
/// comes back on one line.
pub fn place(flag: &Flag, yard: Option<&str>, hive: Option<&str>) -> String {
    let device = flag.device.as_ref().map(|id| id.as_str());
    one_line(&match (hive, device, yard) {
        (Some(hive), None, _) => hive.to_owned(),
        (Some(hive), Some(_), _) if flag.feeder.is_some() => format!("{hive}'s level sensor"),
        (Some(hive), Some(_), _) => format!("{hive}'s scale"),
        (None, Some(device), Some(yard)) => format!("{yard}'s {device}"),
        (None, Some(device), None) => device.to_owned(),
        (None, None, Some(yard)) => yard.to_owned(),
        (None, None, None) => "Larder".to_owned(),
    })
}

/// When someone should act: "today", "on the next trip", or "good to know".
pub fn when_to_act(severity: Severity) -> &'static str {
    match severity {
        Severity::Urgent => "today",
        Severity::Warning => "on the next trip",
        Severity::Info => "good to know",
    }
}

/// What someone hears of who is told from this severity on.
pub fn told_from(severity: Severity) -> &'static str {
    match severity {
        Severity::Urgent => "what is for today",
        Severity::Warning => "what is for the next trip, too",
        Severity::Info => "everything",
    }
}

/// How sure the service is, in words; numbers would promise more than it knows.
pub fn how_sure(probability: f64) -> &'static str {
    match probability {
        p if p >= 0.97 => "as good as certain",
        p if p >= 0.85 => "very likely",
        p if p >= 0.65 => "likely",
        _ => "may be",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use larder_domain::{DeviceId, Evidence, FeederId, Timestamp};

    fn every_text() -> impl Iterator<Item = (FlagKind, &'static str)> {
        FlagKind::ALL.iter().copied().flat_map(|kind| {
            let texts = FlagTexts::of(kind);
            let all = [texts.word, texts.one, texts.many, texts.act];
            let all = all.into_iter().chain(texts.caution);
            all.map(move |text| (kind, text))
        })
    }

    #[test]
    fn no_text_shouts_or_lacks_its_stop() {
        for (kind, text) in every_text() {
            assert!(!text.is_empty() && !text.contains('!'), "{kind:?}: {text}");
        }
        for &kind in FlagKind::ALL {
            let texts = FlagTexts::of(kind);
            assert!(texts.act_with_caution().ends_with('.'), "{kind:?}");
            assert!(!texts.one.ends_with('.') && !texts.many.ends_with('.'));
        }
    }

    #[test]
    fn words_tell_the_kinds_apart() {
        let mut words = FlagKind::ALL
            .iter()
            .map(|&kind| FlagTexts::of(kind).word)
            .collect::<Vec<_>>();
        words.sort_unstable();
        assert!(words.windows(2).all(|pair| pair[0] != pair[1]));
    }

    /// The severity says when; a text that said it too would contradict it for another goal.
    #[test]
    fn no_text_says_when() {
        for (kind, text) in every_text() {
            for when in ["today", "tomorrow", "next trip", "good to know"] {
                assert!(!text.contains(when), "{kind:?}: {text}");
            }
        }
    }

    /// A flow, cold or robbers may be told of the same hive in the same breath.
    #[test]
    fn whoever_is_asked_to_pour_is_told_when_not_to() {
        for kind in [FlagKind::RefillDue, FlagKind::Empty] {
            let act = FlagTexts::of(kind).act;
            assert!(act.contains("flowers") && act.contains("cold"), "{act}");
        }
        for kind in [FlagKind::NeedsFeed, FlagKind::BehindTarget] {
            let act = FlagTexts::of(kind).act;
            assert!(act.contains("cold") || act.contains("warm enough"), "{act}");
        }
        for kind in [FlagKind::RefillDue, FlagKind::Empty, FlagKind::NeedsFeed] {
            let caution = FlagTexts::of(kind).caution.unwrap();
            assert!(caution.contains("evening") && caution.contains("supers"));
        }
    }

    #[test]
    fn what_could_hurt_someone_is_said() {
        let cautions = [
            (FlagKind::RefillDue, "heavy"),
            (FlagKind::Stalled, "call your inspector"),
            (FlagKind::Souring, "ferments"),
            (FlagKind::Leaking, "robbers"),
            (FlagKind::Robbed, "Local rules"),
            (FlagKind::FlowOn, "sold as honey"),
            (FlagKind::Swarmed, "Do not climb"),
            (FlagKind::Tipped, "heavy"),
            (FlagKind::Silent, "mains power"),
            (FlagKind::SensorFault, "mains power"),
            (FlagKind::LowBattery, "below freezing"),
        ];
        for (kind, words) in cautions {
            let caution = FlagTexts::of(kind).caution.unwrap_or_default();
            assert!(caution.contains(words), "{kind:?}: {caution}");
        }
    }

    #[test]
    fn a_place_is_named_as_keepers_name_it() {
        let bare = Flag {
            kind: FlagKind::Silent,
            yard: None,
            hive: None,
            feeder: None,
            device: None,
            opened_at: Timestamp(0),
            closed_at: None,
            severity: Severity::Warning,
            probability: 0.9,
            evidence: Evidence::default(),
        };
        let device = Flag {
            device: DeviceId::new("sc-1").ok(),
            ..bare.clone()
        };
        let level = Flag {
            feeder: FeederId::new("ridge-1-f").ok(),
            ..device.clone()
        };
        let (ridge, hive) = (Some("Ridge"), Some("Ridge\n1"));
        assert_eq!(place(&bare, ridge, hive), "Ridge 1");
        assert_eq!(place(&device, ridge, hive), "Ridge 1's scale");
        assert_eq!(place(&level, ridge, hive), "Ridge 1's level sensor");
        assert_eq!(place(&device, ridge, None), "Ridge's sc-1");
        assert_eq!(place(&device, None, None), "sc-1");
        assert_eq!(place(&bare, ridge, None), "Ridge");
    }

    #[test]
    fn sureness_is_in_words() {
        let said = [0.99, 0.9, 0.7, 0.5].map(how_sure);
        assert_eq!(
            said,
            ["as good as certain", "very likely", "likely", "may be"]
        );
    }
}
