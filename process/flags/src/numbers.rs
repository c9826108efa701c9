//! The numbers that the rules rest on; see [`mod@larder_estimate::numbers`].

use larder_estimate::numbers::Number;

/// The numbers of the flags, file by file.
pub fn all() -> impl Iterator<Item = &'static Number> {
    [
        crate::balance::NUMBERS,
        crate::behind::NUMBERS,
        crate::cold::NUMBERS,
        crate::displaced::NUMBERS,
        crate::drying::NUMBERS,
        crate::empty::NUMBERS,
        crate::level_filter::NUMBERS,
        crate::flow::NUMBERS,
        crate::goal::NUMBERS,
        crate::fermentation_heat::NUMBERS,
        crate::loss::culprit::NUMBERS,
        crate::loss::fast::NUMBERS,
        crate::loss::NUMBERS,
        crate::loss::slow::NUMBERS,
        crate::loss::unweighed::NUMBERS,
        crate::loss::weighed::NUMBERS,
        crate::low_battery::NUMBERS,
        crate::NUMBERS,
        crate::needs_feed::NUMBERS,
        crate::night::NUMBERS,
        crate::opened::NUMBERS,
        crate::pace::NUMBERS,
        crate::refill::NUMBERS,
        crate::sensor_fault::absurd::NUMBERS,
        crate::sensor_fault::below::NUMBERS,
        crate::sensor_fault::calm::NUMBERS,
        crate::sensor_fault::clock::NUMBERS,
        crate::sensor_fault::drift::NUMBERS,
        crate::sensor_fault::excursions::NUMBERS,
        crate::sensor_fault::judged::NUMBERS,
        crate::sensor_fault::NUMBERS,
        crate::sensor_fault::rising::NUMBERS,
        crate::sensor_fault::stuck::NUMBERS,
        crate::signals::feeder::NUMBERS,
        crate::signals::hands::NUMBERS,
        crate::signals::NUMBERS,
        crate::silent::NUMBERS,
        crate::souring::NUMBERS,
        crate::stalled::NUMBERS,
        crate::swarmed::NUMBERS,
        crate::tipped::NUMBERS,
        crate::taking::NUMBERS,
        crate::food_reserves::NUMBERS,
        crate::channels::NUMBERS,
    ]
    .into_iter()
    .flatten()
}
