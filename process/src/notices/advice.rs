//! What a flag is called and what to do about it, with the caution where the hand is about to do it.
//! All of it common practice; local rules and licensed practice come first.

use larder_domain::FlagKind;

/// What a kind is called in a heading.
pub fn word(kind: FlagKind) -> &'static str {
    match kind {
        FlagKind::RefillDue => "needs syrup soon",
        FlagKind::Empty => "has no syrup left",
        FlagKind::Stalled => "has stopped taking syrup",
        FlagKind::TooCold => "takes nothing while it is cold",
        FlagKind::Souring => "may hold syrup that is going off",
        FlagKind::Leaking => "loses syrup that the bees do not take",
        FlagKind::Robbed => "is being robbed",
        FlagKind::Displaced => "has been moved or knocked over",
        FlagKind::FlowOn => "gains from flowers",
        FlagKind::NeedsFeed => "runs short and has no feed on",
        FlagKind::BehindTarget => "will miss its weight at this pace",
        FlagKind::Silent => "is not heard",
        FlagKind::SensorFault => "reports values that can't be right",
        FlagKind::LowBattery => "has a nearly empty battery",
    }
}

/// What to do, in a sentence or two.
pub fn act(kind: FlagKind) -> &'static str {
    match kind {
        FlagKind::RefillDue => {
            "Fill it on the next trip, in the evening where robbing is about. A full can is heavy: carry less at a time."
        }
        FlagKind::Empty => "Fill it, or take the feeder off if feeding is done.",
        FlagKind::Stalled => {
            "Look in: queen, disease, a blocked feeder, or no room left. If it looks like a notifiable disease, move nothing and call your inspector."
        }
        FlagKind::TooCold => {
            "Leave the hive closed. If it is short of stores, use fondant or candy; liquid syrup is of no use to it now."
        }
        FlagKind::Souring => {
            "Smell it before you fill up. If it smells of yeast, do not feed it: empty the feeder away from bees and clean it first."
        }
        FlagKind::Leaking => {
            "Look for a crack or a tilt, and level or change the feeder. Wash spilled syrup away: it draws robbers."
        }
        FlagKind::Robbed => {
            "Close gaps, narrow the entrance, spill nothing, and do not open or fill it before evening. Robbed colonies sting: dress for it."
        }
        FlagKind::Displaced => {
            "Go and look today; bring a strap or a brick. Wash spilled syrup away: it draws robbers."
        }
        FlagKind::FlowOn => {
            "Take syrup off before supers go on; honey with syrup in it may not be sold as honey."
        }
        FlagKind::NeedsFeed => "Put a feeder on today.",
        FlagKind::BehindTarget => {
            "Feed more or sooner, or join it with another healthy colony in time."
        }
        FlagKind::Silent => {
            "Check its power and its signal. Pull the plug of mains power before you touch anything wet."
        }
        FlagKind::SensorFault => "Clean the sensor and check how it sits and what hangs on it.",
        FlagKind::LowBattery => {
            "Take a charged battery along. Do not charge a lithium cell below freezing."
        }
    }
}
