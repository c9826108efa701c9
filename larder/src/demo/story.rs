//! What the demo shows, in words.

use super::layout::{Layout, Role, UNDECLARED};

/// A line for each thing worth a look.
pub fn tell(layout: &Layout) -> Vec<String> {
    let mut lines: Vec<String> = layout
        .hives
        .iter()
        .filter_map(|hive| Some(format!("{}: {}", hive.name, of_role(hive.role?))))
        .collect();
    lines.push(format!(
        "{UNDECLARED}: a scale that nobody has declared; say where it stands and its past comes with it"
    ));
    lines.push(
        "All hives: a cold spell about a week ago, a refill trip every sixth day, some fills not written down"
            .to_owned(),
    );
    lines
}

fn of_role(role: Role) -> &'static str {
    match role {
        Role::Stalled => "stopped taking syrup some days ago; its neighbours did not",
        Role::Leaking => "loses syrup that does not go into the colony",
        Role::Silent => "its level sensor has not been heard since yesterday",
        Role::LowBattery => "the battery of its scale is nearly empty",
        Role::Hungry => "a strong colony that has emptied its pail",
        Role::WithoutScale => "has no scale, only a level sensor",
        Role::WithoutLevelSensor => "has no level sensor, only a scale",
    }
}
