use super::*;
use clap::Arg;
use std::collections::BTreeSet;

/// Every setting as the command line knows it.
fn declared() -> Vec<Arg> {
    fn of<T: Declared>() -> Vec<Arg> {
        let command = T::augment_args(Command::new("group"));
        let arguments: Vec<_> = command.get_arguments().cloned().collect();
        let ids: Vec<_> = arguments.iter().map(|arg| arg.get_id().as_str()).collect();
        assert_eq!(ids, T::KEYS);
        arguments
    }
    [
        of::<DataOptions>(),
        of::<crate::units::UnitsOption>(),
        of::<ServiceOptions>(),
        of::<NoticeOptions>(),
        of::<ReadingsOptions>(),
    ]
    .concat()
}

fn file(text: &str) -> SettingsFile {
    SettingsFile::parse(text).unwrap_or_else(|mistake| panic!("{}", mistake.place(text)))
}

#[track_caller]
fn refused(text: &str) -> String {
    let mistake = SettingsFile::parse(text).expect_err("a mistake in the file");
    mistake.place(text)
}

fn checked(text: &str) -> Result<ServeSettings> {
    ServeSettings::check(&Shared::default(), ServeOptions::default(), file(text))
}

#[test]
fn key_option_and_variable_have_one_name() {
    let mut keys = BTreeSet::from(["mapping"]);
    let declared = declared();
    for setting in &declared {
        let key = setting.get_id().as_str();
        assert_eq!(setting.get_long(), Some(key.replace('_', "-").as_str()));
        let variable = setting.get_env().and_then(|variable| variable.to_str());
        assert_eq!(
            variable,
            Some(format!("LARDER_{}", key.to_uppercase()).as_str())
        );
        assert!(keys.insert(key), "{key} is declared twice");
    }
    assert_eq!(keys, SettingsFile::known().collect());
}

/// A file that names a default must come to the same as one that does not. Each is tried with
/// readings kept here and in an InfluxDB.
#[test]
fn what_help_calls_the_default_is_the_default() {
    let folder = tempfile::tempdir().expect("a folder");
    let token = folder.path().join("token");
    std::fs::write(&token, "secret").expect("a file");
    let influx = format!(
        "readings = \"influxdb2\"\ninflux_url = \"http://localhost:8086\"\ninflux_org = \"apiary\"\n\
         influx_token_file = {token:?}\n"
    );
    let mut in_words = Vec::new();
    for setting in declared() {
        let key = setting.get_id().as_str();
        let (_, Some(default)) = text_of(&setting) else {
            continue;
        };
        if default.contains(' ') {
            in_words.push(key.to_owned());
            continue;
        }
        let value = match default.parse::<toml::Value>() {
            Ok(value) if !value.is_float() => value,
            _ => toml::Value::from(default.as_str()),
        };
        for base in ["", influx.as_str()] {
            if base.contains(&format!("{key} =")) {
                continue;
            }
            let unsaid = checked(base).expect("a sound file");
            let said = checked(&format!("{base}{key} = {value}\n")).expect("a default is sound");
            assert_eq!(format!("{unsaid:?}"), format!("{said:?}"), "{key}");
        }
    }
    assert_eq!(in_words, ["units", "broker_ca", "mail_ca", "influx_ca"]);
}

#[test]
fn an_option_wins_over_the_file_and_the_file_over_the_default() {
    let text = "data = \"by-file\"\nclient_id = \"by-file\"\nstate_topics = false\n";
    let by_file = checked(text).expect("a sound file");
    assert_eq!(by_file.data, PathBuf::from("by-file"));
    assert_eq!(by_file.client_id, "by-file");
    assert_eq!(by_file.topic_prefix, "larder");
    assert!(!by_file.notices.state_topics);
    let mut shared = Shared::default();
    shared.data.data = Some("by-option".into());
    let mut options = ServeOptions::default();
    options.service.client_id = Some("by-option".into());
    options.notices.state_topics = Some(true);
    let by_option = ServeSettings::check(&shared, options, file(text)).expect("sound settings");
    assert_eq!(by_option.data, PathBuf::from("by-option"));
    assert_eq!(by_option.client_id, "by-option");
    assert!(by_option.notices.state_topics);
}

#[test]
fn an_option_for_one_kind_of_broker_wins_over_the_other_kind_in_the_file() {
    let text = "broker = \"mqtt://localhost\"\n";
    let mut options = ServeOptions::default();
    options.service.mqtt_listen = Some("127.0.0.1:1884".into());
    let built_in = ServeSettings::check(&Shared::default(), options, file(text));
    let broker = built_in.expect("sound settings").broker;
    assert!(matches!(broker, BrokerChoice::BuiltIn { .. }), "{broker:?}");
    let both = checked("broker = \"mqtt://localhost\"\nmqtt_listen = \"127.0.0.1:1884\"\n");
    let sentence = both.expect_err("a contradiction").to_string();
    assert_eq!(sentence, "give either a broker or mqtt_listen, not both");
}

#[test]
fn a_mistake_in_the_file_is_named_with_its_line_and_key() {
    assert_eq!(
        refused("data = \"here\"\nbrokr = \"mqtt://localhost\"\n"),
        " line 2: there is no setting `brokr`; did you mean `broker`?"
    );
    assert_eq!(
        refused("listen = \"127.0.0.1:8080\"\n\ninflux_keep_days = \"sixty\"\n"),
        " line 3: `influx_keep_days`: invalid type: string \"sixty\", expected a whole number from 0 up"
    );
    assert_eq!(
        refused("units = 1\n"),
        " line 1: `units`: invalid type: integer `1`, expected a string"
    );
    let in_a_mapping = refused("data = \"here\"\n[[mapping]]\ntopik = \"a/b\"\n");
    assert!(
        in_a_mapping.starts_with(" line 3: `mapping`: unknown field `topik`, expected one of"),
        "{in_a_mapping}"
    );
    let no_toml = refused("data = \"here\"\nlisten 8080\n");
    assert!(no_toml.starts_with(" line 2: "), "{no_toml}");
    let twice = refused("data = \"here\"\ndata = \"there\"\n");
    assert!(twice.starts_with(" line 2: "), "{twice}");
}

#[test]
fn a_mapping_stays_in_the_file() {
    let mappings = file("data = \"here\"\n[[mapping]]\nuse = \"chirpstack-v4\"\n").mapping;
    assert_eq!(mappings.len(), 1);
    assert_eq!(mappings[0].ready.as_deref(), Some("chirpstack-v4"));
}
