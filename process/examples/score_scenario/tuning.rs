//! Estimators and flags set otherwise from the command line: `interval.factor=1.2 loss.slow_sds=3`.

use larder_process::Parameters;
use larder_process::flags::{FlagParameters, YardParameters};
use std::error::Error;

/// Sets each `name=value`, of an estimator or else a flag's threshold; a name that there is not is refused.
pub fn tuned<'a>(
    settings: impl Iterator<Item = &'a str>,
) -> Result<(Parameters, YardParameters), Box<dyn Error>> {
    let mut parameters = Parameters::default();
    let mut yard = FlagParameters::default();
    for setting in settings {
        let (name, value) = setting.split_once('=').ok_or("settings are NAME=VALUE")?;
        let value: f64 = value.parse()?;
        if let Some(field) = field(&mut parameters, name) {
            *field = value;
        } else {
            yard.set(name, value)?;
        }
    }
    let thresholds = YardParameters {
        yard,
        ..YardParameters::default()
    };
    Ok((parameters, thresholds))
}

fn field<'p>(parameters: &'p mut Parameters, name: &str) -> Option<&'p mut f64> {
    let Parameters {
        feeder,
        rain,
        interval,
    } = parameters;
    Some(match name {
        "feeder.gate_sds" => &mut feeder.gate_sds,
        "feeder.degrees_of_freedom" => &mut feeder.degrees_of_freedom,
        "feeder.memory_hours" => &mut feeder.memory_hours,
        "feeder.appetite_share" => &mut feeder.appetite_share,
        "feeder.dregs_share" => &mut feeder.dregs_share,
        "feeder.level.offset_sd" => &mut feeder.level.offset_sd,
        "feeder.level.per_kelvin_sd" => &mut feeder.level.per_kelvin_sd,
        "feeder.level.share_sd" => &mut feeder.level.share_sd,
        "feeder.load_cell.offset_sd" => &mut feeder.load_cell.offset_sd,
        "feeder.load_cell.per_kelvin_sd" => &mut feeder.load_cell.per_kelvin_sd,
        "rain.kg_per_mm" => &mut rain.kg_per_mm,
        "rain.holds_kg" => &mut rain.holds_kg,
        "rain.wet_m2" => &mut rain.wet_m2,
        "interval.factor" => &mut interval.factor,
        "interval.gap_factor" => &mut interval.gap_factor,
        "interval.least_sd_l" => &mut interval.least_sd_l,
        "interval.unseen_sd_l" => &mut interval.unseen_sd_l,
        "interval.disturbed_share" => &mut interval.disturbed_share,
        "interval.usual_deficit_kg" => &mut interval.usual_deficit_kg,
        "interval.doubt_share" => &mut interval.doubt_share,
        "interval.left_share" => &mut interval.left_share,
        "interval.dregs_share" => &mut interval.dregs_share,
        "interval.pouring_share" => &mut interval.pouring_share,
        _ => return None,
    })
}
