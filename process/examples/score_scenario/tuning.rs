//! Estimators and flags set otherwise from the command line: `interval.factor=1.2 loss.slow_sds=3`.

use larder_process::Parameters;
use larder_process::flags::{FlagParameters, YardParameters};
use larder_process::parameters::{PARAMETERS, Parameter};
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
        if let Some(parameter) = PARAMETERS.iter().find(|known| known.name == name) {
            parameter.set(&mut parameters, value);
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

/// All parameters of the estimators with their usual values, one a line: what a fit starts from.
pub fn list() -> String {
    let usual = Parameters::default();
    let line = |one: &Parameter| format!("{}={}\n", one.name, one.of(&usual));
    PARAMETERS.iter().map(line).collect()
}
