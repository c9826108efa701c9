//! Where a setting's value comes from when the program is run: option, variable, file, default.

use std::process::{Command, Output};

/// `larder serve` in `folder` with an address that it can't listen on, which its refusal names.
struct Serve<'a> {
    file: Option<&'a str>,
    variable: Option<&'a str>,
    option: Option<&'a str>,
}

impl Serve<'_> {
    fn refusal(&self) -> String {
        let folder = tempfile::tempdir().expect("a folder");
        if let Some(listen) = self.file {
            let text = format!("listen = \"{listen}\"\n");
            std::fs::write(folder.path().join("larder.toml"), text).expect("a file");
        }
        let mut command = larder(&["serve"]);
        command.current_dir(folder.path());
        if let Some(listen) = self.variable {
            command.env("LARDER_LISTEN", listen);
        }
        if let Some(listen) = self.option {
            command.args(["--listen", listen]);
        }
        refusal(&command.output().expect("the program can be started"))
    }
}

/// The program without a setting that whoever runs the tests has.
fn larder(args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_larder"));
    command.args(args);
    for (name, _) in std::env::vars_os() {
        if name.to_string_lossy().starts_with("LARDER_") {
            command.env_remove(name);
        }
    }
    command
}

#[track_caller]
fn refusal(output: &Output) -> String {
    assert_eq!(output.status.code(), Some(2), "{output:?}");
    String::from_utf8(output.stderr.clone()).expect("it prints UTF-8")
}

#[track_caller]
fn took(serve: &Serve<'_>, listen: &str) {
    let refusal = serve.refusal();
    let sentence =
        format!("larder: listen is an address and port like 127.0.0.1:8080, not \"{listen}\"\n");
    assert_eq!(refusal, sentence);
}

#[test]
fn option_then_variable_then_file() {
    let mut serve = Serve {
        file: Some("in-the-file"),
        variable: Some("in-the-environment"),
        option: Some("as-an-option"),
    };
    took(&serve, "as-an-option");
    serve.option = None;
    took(&serve, "in-the-environment");
    serve.variable = None;
    took(&serve, "in-the-file");
}

#[test]
fn the_default_where_nobody_says() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut check = larder(&["check"]);
    let output = check.current_dir(folder.path()).output();
    let output = output.expect("the program can be started");
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(
        said.contains("Store in larder-data: none yet."),
        "{output:?}"
    );
}

#[test]
fn a_mistake_in_the_file_is_one_line_that_names_it() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("bees.toml");
    std::fs::write(&path, "data = \"here\"\ntopic_prefx = \"bees\"\n").expect("a file");
    let mut check = larder(&["check", "--config"]);
    let output = check
        .arg(&path)
        .output()
        .expect("the program can be started");
    assert_eq!(
        refusal(&output),
        format!(
            "larder: {} line 2: there is no setting `topic_prefx`; did you mean `topic_prefix`?\n",
            path.display()
        )
    );
}

#[test]
fn a_command_without_the_options_of_the_service_knows_its_variables() {
    let folder = tempfile::tempdir().expect("a folder");
    let payload = folder.path().join("payload.json");
    std::fs::write(&payload, "{\"weight_kg\": 41.2}").expect("a file");
    let mut check = larder(&["check", "--topic", "bees/sc-1/readings", "--payload"]);
    check.arg(&payload).current_dir(folder.path());
    let output = check.env("LARDER_TOPIC_PREFIX", "bees").output();
    let output = output.expect("the program can be started");
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(said.contains("weight"), "{output:?}");

    let mut check = larder(&["check"]);
    check.current_dir(folder.path());
    let output = check.env("LARDER_STATE_TOPICS", "perhaps").output();
    assert_eq!(
        refusal(&output.expect("the program can be started")),
        "larder: the environment: invalid value 'perhaps' for '--state-topics <BOOL>' \
         [possible values: true, false]\n"
    );
}
