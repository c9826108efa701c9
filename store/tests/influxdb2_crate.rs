//! The crate `influxdb2`: what setting a server up makes of answers that are not well, and where
//! the crate falls short, so that readings go another way. When a test of the second kind fails
//! with a newer version, that way can be thought over. The crate at its work is tried against the
//! real server, in the crate `tests`.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod stand_in;

use influxdb2::api::write::TimestampPrecision;
use influxdb2::models::Query;
use influxdb2::{Client, RequestError};
use larder_store::influxdb2::{Admin, InitWish, Trouble};
use stand_in::{StandIn, answer};

/// What comes of `init` when the server answers everything with this.
fn init(said: Option<String>) -> Trouble {
    let server = StandIn::new(move |_| said.clone());
    let trouble = Admin::new(server.config())
        .unwrap()
        .init(&InitWish::default())
        .unwrap_err();
    let asked = server.asked.lock().unwrap();
    assert!(asked[0].head.starts_with("GET /api/v2/orgs?org=the+org "));
    assert!(!trouble.to_string().contains("secret"), "{trouble}");
    trouble
}

#[test]
fn a_server_that_says_nothing_is_not_waited_for_for_ever() {
    assert!(matches!(init(None), Trouble::Unreachable(_)));
}

#[test]
fn an_answer_that_is_cut_or_odd_is_told() {
    let cut = "HTTP/1.1 200 OK\r\ncontent-length: 100\r\n\r\n{\"orgs\":";
    assert!(matches!(init(Some(cut.into())), Trouble::Unreachable(_)));
    let empty_cell = answer("200 OK", "", r#"{"orgs":[{"id":"1","name":null}]}"#);
    let other_page = answer("200 OK", "", "<html></html>");
    for said in [empty_cell, other_page] {
        let trouble = init(said);
        assert!(
            matches!(&trouble, Trouble::Unreachable(why) if why.contains("does not read")),
            "{trouble:?}"
        );
    }
    let nobody = answer("200 OK", "", r#"{"orgs":[]}"#);
    assert_eq!(init(nobody), Trouble::Missing("the org".into()));
}

#[test]
fn refusals_are_told_in_the_servers_words() {
    let says = r#"{"code":"unauthorized","message":"unauthorized access"}"#;
    let forbidden = init(answer("401 Unauthorized", "", says));
    assert_eq!(
        forbidden,
        Trouble::Forbidden("401: unauthorized access".into())
    );
    // The header is lost on the way: the crate gives no headers.
    let busy = init(answer("429 Too Many Requests", "retry-after: 7\r\n", ""));
    let expected = Trouble::Busy {
        says: "429 Too Many Requests".into(),
        retry_after: None,
    };
    assert_eq!(busy, expected);
}

#[test]
fn nothing_is_sent_to_an_address_that_the_crate_would_change() {
    let server = StandIn::new(|_| answer("200 OK", "", ""));
    let mut config = server.config();
    config.url.push_str("/influx");
    let error = Admin::new(config).err().unwrap().to_string();
    assert!(error.contains("has a path"), "{error}");
    assert!(server.asked.lock().unwrap().is_empty());
}

/// The crate as it is, in a task of its own.
fn unguarded<T: Send + 'static, F>(
    server: &StandIn,
    path: &str,
    call: impl FnOnce(Client) -> F,
) -> Result<T, tokio::task::JoinError>
where
    F: Future<Output = T> + Send + 'static,
{
    let config = server.config();
    let url = format!("{}{path}", config.url);
    let client = Client::new(url, config.org, config.token.secret());
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    runtime.block_on(runtime.spawn(call(client)))
}

const LINE: &str = "reading,device=d w=1 1";

async fn write(client: Client) -> Result<(), RequestError> {
    client
        .write_line_protocol_with_precision("o", "b", LINE, TimestampPrecision::Milliseconds)
        .await
}

#[test]
fn the_crate_loses_how_long_a_busy_server_asks_to_wait() {
    let server = StandIn::new(|_| answer("503 Service Unavailable", "retry-after: 4711\r\n", ""));
    let error = unguarded(&server, "", write).unwrap().unwrap_err();
    assert!(!format!("{error:?}").contains("4711"), "{error:?}");
}

#[test]
fn the_crate_loses_the_path_of_an_address() {
    let server = StandIn::new(|_| answer("204 No Content", "", ""));
    unguarded(&server, "/influx", write).unwrap().unwrap();
    let asked = server.asked.lock().unwrap();
    assert!(
        asked[0].head.starts_with("POST /api/v2/write?"),
        "{}",
        asked[0].head
    );
    assert_eq!(asked[0].body, LINE);
}

#[test]
fn the_crate_panics_on_an_empty_cell_and_on_a_cut_answer() {
    let table = "#datatype,string,long,dateTime:RFC3339,double,string\r\n#group,false,false,false,false,true\r\n#default,_result,,,,\r\n,result,table,_time,_value,_field\r\n";
    let row = |value: &str| format!("{table},,0,2026-09-01T05:00:01Z,{value},weight_kg\r\n\r\n");
    let asked = |said: Option<String>| {
        let server = StandIn::new(move |_| said.clone());
        unguarded(&server, "", async |client: Client| {
            client.query_raw(Some(Query::new("from(…)".into()))).await
        })
    };
    let whole = asked(answer("200 OK", "", &row("2.5"))).unwrap().unwrap();
    assert_eq!(whole.len(), 1);
    assert!(
        asked(answer("200 OK", "", &row("")))
            .unwrap_err()
            .is_panic()
    );
    let cut = format!(
        "HTTP/1.1 200 OK\r\ncontent-length: 1000\r\n\r\n{}",
        row("2.5")
    );
    assert!(asked(Some(cut)).unwrap_err().is_panic());
}
