//! Every threshold of the flags, declared once with its default, its unit and where that comes from.
//! Structures, defaults and the catalogue follow. 'common practice' marks a fact of the trade, 'measured'
//! what was set on simulated apiaries with known truth. All can be set for a yard or a hive.

use super::catalogue::Parameter;

/// Declares the kinds' thresholds.
macro_rules! thresholds {
    ($(
        $(#[doc = $kind_doc:literal])+
        $kind:ident: $name:ident {
            $($(#[doc = $doc:literal])+ $field:ident = $value:literal, $unit:literal, $source:literal;)+
        }
    )+) => {
        $(
            $(#[doc = $kind_doc])+
            #[derive(Clone, Copy, PartialEq, Debug)]
            pub struct $name {
                $($(#[doc = $doc])+ pub $field: f64,)+
            }

            impl Default for $name {
                fn default() -> Self {
                    Self { $($field: $value,)+ }
                }
            }
        )+

        /// The thresholds of all kinds.
        #[derive(Clone, Copy, PartialEq, Debug, Default)]
        pub struct FlagParameters {
            $($(#[doc = $kind_doc])+ pub $kind: $name,)+
        }

        /// All of them, by kind.
        pub const CATALOGUE: &[Parameter] = &[$($(Parameter {
            name: concat!(stringify!($kind), ".", stringify!($field)),
            unit: $unit,
            source: $source,
            read: |parameters| parameters.$kind.$field,
            write: |parameters, value| parameters.$kind.$field = value,
        },)+)+];
    };
}

thresholds! {
    /// A device is not heard.
    silent: Silent {
        /// A device is silent that says nothing for so many of its own intervals (measured).
        intervals = 10.0, "intervals", "measured";
        /// A device is never silent sooner than this, hours: radio links lose packs in a row (common
        /// practice).
        least_hours = 2.5, "h", "common practice";
        /// A device is silent after this, hours, whatever its rhythm (common practice).
        most_hours = 6.0, "h", "common practice";
    }
    /// A battery is nearly empty.
    low_battery: LowBattery {
        /// A lithium cell under this is nearly empty, V (common practice).
        low_v = 3.50, "V", "common practice";
        /// A cell above this has been changed or charged, V (common practice).
        charged_v = 3.60, "V", "common practice";
        /// A battery is back when it stays charged for so long, hours.
        stays_hours = 3.0, "h", "chosen";
    }
    /// A device's values can't be right.
    sensor_fault: SensorFault {
        /// A value is stuck that stays for so long, hours, and longer than chance allows (measured).
        stuck_hours = 2.5, "h", "measured";
        /// A scale's value is stuck that stays for so long, hours: its nights are quiet (measured).
        scale_stuck_hours = 6.0, "h", "measured";
        /// The flag opens when this share of the recent readings can't be, 0 to 1 (measured).
        absurd_share = 0.5, "/", "measured";
    }
    /// Nothing left.
    empty: Empty {
        /// A feeder with less than this share of its capacity left is empty (common practice: what stays in
        /// the corners).
        share = 0.02, "/", "common practice";
        /// A feeder with less than this left is empty, however small it is, l.
        litres = 0.05, "l", "chosen";
        /// The flag closes above so many times what counts as empty.
        filled_factor = 2.5, "/", "chosen";
        /// A feeder must stay empty for so long, hours.
        stays_hours = 2.0, "h", "chosen";
    }
    /// Blown or knocked off.
    displaced: Displaced {
        /// The empty feeder itself weighs at least this, kg for each litre of capacity (common practice).
        tare_kg_per_litre = 0.1, "kg/l", "common practice";
        /// Wind from this on can carry a feeder away, m/s (common practice: Beaufort 6, a strong breeze, starts at 10.8).
        wind_m_s = 10.8, "m/s", "common practice (Beaufort 6)";
    }
    /// Syrup leaves the feeder and does not reach the colony.
    loss: Loss {
        /// A loss is fast when this much more goes out than one and a half times what the colony took
        /// before, l/h (measured; strong colonies take up to 3.8 l a day).
        fast_l_per_h = 0.06, "l/h", "measured";
        /// A fast loss takes at least this off the scale in the window, kg.
        fast_kg = 0.15, "kg", "chosen";
        /// How sure each witness must be, standard deviations.
        sds = 4.5, "sd", "chosen";
        /// Robbers take honey too: by day, a hive that loses more than this many times what the feeder
        /// does is robbed (measured; a level sensor may see more go than did).
        honey_factor = 0.85, "/", "measured";
        /// Bees do not fly below this, Cel: no robbing (Burrill and Dietz 1981: no foraging under 12 Cel).
        flight_cel = 10.0, "Cel", "Burrill and Dietz 1981";
        /// How far a hive must lose more than its like for a slow leak, standard deviations (measured).
        slow_sds = 2.5, "sd", "measured";
        /// A slow leak takes at least this in a night of eight hours beyond what such nights differ, kg
        /// (measured).
        slow_kg = 0.13, "kg", "measured";
    }
    /// Gaining from flowers.
    flow: Flow {
        /// Gain from flowers in a day that opens the flag, kg (common practice: a few hundred grams).
        open_kg_per_day = 0.22, "kg/day", "common practice";
        /// Gain from flowers in a day below which the flag closes, kg.
        close_kg_per_day = 0.12, "kg/day", "chosen";
        /// What the yard's median hive must gain as well, kg a day.
        yard_kg_per_day = 0.22, "kg/day", "chosen";
        /// The gain must stay below that for so long to close the flag, hours.
        close_hours = 6.0, "h", "chosen";
    }
    /// Not taking it because they can't.
    cold: Cold {
        /// Bees do not take syrup colder than this, Cel (common practice: 50 F, syrup not air).
        none_cel = 10.0, "Cel", "common practice";
        /// Bees take syrup freely from this temperature on, Cel (common practice: 16 to 24).
        free_cel = 18.0, "Cel", "common practice";
        /// The flag opens when the day's mean ease of taking is below this, 0 to 1 (measured).
        open_ease = 0.2, "/", "measured";
        /// The flag closes when the day's mean ease of taking is above this, 0 to 1.
        close_ease = 0.35, "/", "chosen";
        /// At least this share of the capacity must be left to take.
        least_share = 0.05, "/", "chosen";
    }
    /// What is expected to be taken.
    pace: Pace {
        /// Thick syrup poured in autumn (common practice: 7.5 to 15 l a colony over two to four weeks;
        /// strong colonies up to 3.8 l a day).
        winter_stores_l_per_day = 0.6, "l", "common practice";
        /// Thin syrup trickled in spring (common practice: one to two litres a week).
        build_up_l_per_day = 0.2, "l", "common practice";
        /// Thin syrup kept before comb builders without a break (common practice: half a litre a day).
        comb_l_per_day = 0.5, "l", "common practice";
        /// To keep a weak colony alive (common practice: 0.1 to 0.8 l a day).
        emergency_l_per_day = 0.3, "l", "common practice";
    }
    /// Not taking it though they could.
    stalled: Stalled {
        /// The day's mean ease of taking must be above this (see [`Cold`]).
        ease = 0.4, "/", "chosen";
        /// Uptake is looked at over so many hours.
        hours = 28.0, "h", "chosen";
        /// A colony stalls that takes less than this share of the capacity in that time: next to nothing.
        share = 0.025, "/", "chosen";
        /// A stall must hold for so long, hours.
        holds_hours = 5.0, "h", "chosen";
        /// A colony stalls that takes less than this share of what is expected.
        of_expected = 0.25, "/", "chosen";
        /// The flag closes when this share of what is expected is taken again.
        resumed = 0.4, "/", "chosen";
        /// At least this share of the capacity must be left to take.
        least_share = 0.08, "/", "chosen";
    }
    /// Going off.
    souring: Souring {
        /// Days at the yeasts' best temperature after which 1:1 is likely to be sour (common practice:
        /// home reports of 3 to 10 days in warm storage).
        days_to_sour = 8.0, "d", "common practice";
        /// How much longer each 0.01 of water activity below that of 1:1 makes it, a factor (from the
        /// shelf-life guides for 1:1 and 2:1, common practice).
        factor_per_hundredth = 1.067, "/", "common practice";
        /// Nine in ten batches sour within this factor of that time, either way (home reports of 1:1 lie
        /// between 3 and 10 days, common practice).
        spread_factor = 3.0, "/", "common practice";
        /// Fermenting syrup is warmer than the yard makes it; by this nothing else explains it, K (measured:
        /// five times what sound feeders differ).
        hot_kelvin = 1.0, "K", "measured";
        /// Syrup that is taken less as well sours when it is warmer by this than the yard makes it, K
        /// (measured).
        warm_kelvin = 0.5, "K", "measured";
        /// Foam lifts the level by this in a day, mm (measured: sound sensors' half days stay within 1.5 of
        /// those a day before ninety-nine times in a hundred).
        foam_mm = 1.8, "mm", "measured";
        /// A batch that sensors see has at least this risk, 0 to 1: some are off when they are poured.
        shown_risk = 0.05, "/", "chosen";
        /// Probability at which the flag opens, by age and by what sensors show, 0 to 1.
        open_risk = 0.6, "/", "chosen";
        /// Risk below which the flag closes, 0 to 1.
        close_risk = 0.04, "/", "chosen";
    }
    /// Fill it soon.
    refill: Refill {
        /// A refill is due when less than this share of the capacity is left (common practice).
        share = 0.15, "/", "common practice";
        /// A refill is due when what is left lasts less than so many days (common practice).
        days = 2.0, "d", "common practice";
    }
    /// Hungry, and no feed on.
    needs_feed: NeedsFeed {
        /// A colony is hungry when it is so far under its target, kg.
        under_target_kg = 1.5, "kg", "chosen";
        /// A colony must be without feed for so long, hours.
        hours = 0.0, "h", "chosen";
    }
    /// Will not make its weight in time.
    behind: Behind {
        /// A colony is behind when the daily gain still needed is more than so many times the last week's.
        factor = 1.3, "/", "chosen";
        /// A colony is behind only if at least this is missing, kg: less is within what bees and brood
        /// weigh (measured).
        least_short_kg = 2.0, "kg", "measured";
        /// A colony must be behind for so long, hours.
        hours = 48.0, "h", "chosen";
    }
    /// Bees left with a swarm.
    swarmed: Swarmed {
        /// A swarm weighs at least this, kg (common practice: a kilogram is some seven thousand bees; small
        /// ones are half of that).
        least_kg = 0.8, "kg", "common practice";
        /// A swarm weighs at most this, kg (common practice).
        most_kg = 5.0, "kg", "common practice";
        /// No swarm leaves while it is colder than this, Cel: they wait for more than flight weather (common
        /// practice).
        flight_cel = 12.0, "Cel", "common practice";
    }
    /// Tipped over or taken away.
    tipped: Tipped {
        /// A hive is gone when the scale shows less than this share of what stood on it.
        left_share = 0.3, "/", "chosen";
        /// A hive must be away for so long, hours; four while someone works on the yard.
        stays_hours = 1.0, "h", "chosen";
    }
    /// A keeper opened it.
    opened: Opened {
        /// A load of at least this that comes or goes at once is a hand's, kg, where it is no feed.
        least_kg = 1.0, "kg", "chosen";
    }
}
