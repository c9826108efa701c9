//! The short forms of the apiary file: what is usual is left out, one thing is no list of one.

use larder_domain::ChannelKind;
use toml::{Table, Value};

/// Shortens a whole file.
pub(super) fn shorten(file: &mut Table) {
    for section in ["yard", "hive", "feeder"] {
        let items = file.get_mut(section).and_then(Value::as_array_mut);
        for item in items.into_iter().flatten().filter_map(Value::as_table_mut) {
            // A name that is the id says nothing.
            if item.get("name") == item.get("id") {
                item.remove("name");
            }
            if let Some(scales) = item.get_mut("scale").and_then(Value::as_array_mut) {
                scales.iter_mut().for_each(shorten_scale);
            }
            for list in ["scale", "sensor", "moves"] {
                shorten_list(item, list);
            }
        }
    }
}

/// A list of one is that one, an empty list is left out; moves stay a list.
fn shorten_list(item: &mut Table, key: &str) {
    let Some(list) = item.get(key).and_then(Value::as_array) else {
        return;
    };
    match list.as_slice() {
        [] => {
            item.remove(key);
        }
        [one] if key != "moves" => {
            let one = one.clone();
            item.insert(key.to_owned(), one);
        }
        _ => {}
    }
}

/// The usual channel is left out, and a scale of which nothing else is said is its device's name.
fn shorten_scale(scale: &mut Value) {
    let Some(table) = scale.as_table_mut() else {
        return;
    };
    if table.get("channel").and_then(Value::as_str) == Some(ChannelKind::Weight.name()) {
        table.remove("channel");
    }
    if table.len() == 1
        && let Some(device) = table.remove("device")
    {
        *scale = device;
    }
}
