//! The page over real sockets, on boards with invented values.

#[path = "support/boards.rs"]
mod boards;

use boards::{spoiled, waiting, well};
use jiff::tz::TimeZone;
use permeated::board::Board;
use permeated::edge::web::{self, Page};
use permeated::engine::output::{LogEntry, Output};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

async fn serve(board: Board) -> Page {
    web::spawn("127.0.0.1:0", TimeZone::UTC, board).await.expect("loopback has a free port")
}

/// Sends raw bytes and reads until the server closes or the deadline passes.
async fn raw(page: &Page, request: &str) -> String {
    let mut stream = TcpStream::connect(page.address).await.expect("it listens");
    stream.write_all(request.as_bytes()).await.expect("it reads");
    let mut answer = Vec::new();
    tokio::time::timeout(Duration::from_secs(20), stream.read_to_end(&mut answer))
        .await
        .expect("an answer in time")
        .expect("an answer");
    String::from_utf8(answer).expect("text")
}

async fn get(page: &Page, path: &str) -> String {
    let host = page.address;
    raw(page, &format!("GET {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n")).await
}

fn status(answer: &str) -> &str {
    answer.split(' ').nth(1).expect("a status line")
}

fn body(answer: &str) -> &str {
    answer.split_once("\r\n\r\n").expect("a body").1
}

#[tokio::test]
async fn the_verdict_says_whether_the_water_is_good_and_whether_it_may_run() {
    for (board, wanted) in [
        (well(), vec!["The water is pure. It may run.", "Nothing.</p>"]),
        (
            spoiled(),
            vec![
                "The water is not pure. It may not run.",
                "Clears with: A test run to the drain that ends pure, and a reset.",
                "now, at any hour",
                "First:</b> Check the product with a handheld",
            ],
        ),
        (waiting(), vec!["No water is flowing. The container is full."]),
    ] {
        let page = serve(board).await;
        let answer = get(&page, "/").await;
        assert_eq!(status(&answer), "200");
        for text in wanted {
            assert!(answer.contains(text), "no '{text}' in {answer}");
        }
        page.task.abort();
    }
}

#[tokio::test]
async fn a_plant_is_called_by_the_name_that_its_settings_give() {
    let page = serve(well()).await;
    let answer = get(&page, "/").await;
    assert!(answer.contains("<p class=\"plant\">Water &amp; co.</p>"), "{answer}");
}

#[tokio::test]
async fn what_was_over_time_is_drawn_and_what_has_no_data_is_not() {
    let page = serve(well()).await;
    let answer = get(&page, "/").await;
    for drawn in [
        "First water of the last start",
        "Where the starts settled",
        "60 starts.",
        "Extra salt of the starts",
        "Resin used",
        "Rejection",
        "Permeate flow, normalised",
        ">resin a</text>",
    ] {
        assert!(answer.contains(drawn), "no '{drawn}' in {answer}");
    }
    assert_eq!(answer.matches("<figure>").count(), 6);
    assert!(!answer.contains("Resistance before the membrane"), "a drawing of nothing");
    assert!(!answer.contains("NaN") && !answer.contains("inf"), "{answer}");
    // Two lines of one vessel: the holiday is not drawn over.
    let resin =
        answer.split("<figcaption>Resin used").nth(1).expect("drawn").split("</svg>").next();
    let path = resin.and_then(|svg| svg.split("class=\"line\" d=\"").nth(1)).expect("a line");
    let path = path.split('"').next().expect("its end");
    assert_eq!(path.matches('M').count(), 2, "{path}");
    page.task.abort();
}

#[tokio::test]
async fn what_is_due_later_stands_in_the_order_of_its_terms() {
    let page = serve(well()).await;
    let answer = get(&page, "/").await;
    let places: Vec<usize> = [
        "start for the next change",
        "resin of resin-a: in about 26",
        "resin of resin-b: in about 160",
    ]
    .iter()
    .map(|text| answer.find(text).unwrap_or_else(|| panic!("no '{text}' in {answer}")))
    .collect();
    assert!(places.is_sorted(), "{places:?}");
    page.task.abort();
}

#[tokio::test]
async fn points_stand_in_the_order_of_flow_and_stages_after_them() {
    let page = serve(well()).await;
    let answer = get(&page, "/").await;
    let places: Vec<usize> = [
        "point supply",
        "point feed",
        "point concentrate",
        "point permeate",
        "point between",
        "point product",
        "point store",
        "<h3>plant",
        "<h3>membrane",
        "<h3>resin",
        "<h3>guard",
        "What happened",
        "The daemon itself",
    ]
    .iter()
    .map(|text| answer.find(text).unwrap_or_else(|| panic!("no '{text}'")))
    .collect();
    assert!(places.is_sorted(), "{places:?}");
}

#[tokio::test]
async fn a_text_from_outside_cannot_become_markup() {
    let board = well();
    let evil = "<script>alert('1')</script>\"&";
    board.note(
        0,
        &Output::Log(LogEntry {
            at: None,
            kind: evil.into(),
            text: evil.into(),
            data: serde_json::Value::Null,
            protective: false,
        }),
    );
    board.change_health(|health| {
        health.database_fault = Some(evil.into());
        health.bad_payloads.insert(evil.into(), 3);
    });
    board.change(0, |plant| {
        let permit = plant.permit.as_mut().expect("a permit");
        permit.valve = evil.into();
        permit.remarks.push(evil.into());
        for alarm in plant.alarms.values_mut() {
            alarm.text = evil.into();
        }
    });
    let page = serve(board).await;
    let answer = get(&page, "/").await;
    assert!(!answer.contains("<script"), "{answer}");
    assert!(answer.contains("&lt;script&gt;alert(&#39;1&#39;)&lt;/script&gt;&quot;&amp;"));
}

#[tokio::test]
async fn a_stranger_s_name_gets_nothing_whatever_the_path() {
    let page = serve(well()).await;
    let port = page.address.port();
    for path in ["/", "/api/state", "/metrics", "/healthz", "/style.css", "/none"] {
        for host in [
            "Host: evil.example",
            &format!("Host: evil.example:{port}"),
            "Host: 127.0.0.1:1",
            "X: no host at all",
            &format!("Host: localhost:{port}\r\nHost: evil.example"),
        ] {
            let answer =
                raw(&page, &format!("GET {path} HTTP/1.1\r\n{host}\r\nConnection: close\r\n\r\n"))
                    .await;
            assert!(matches!(status(&answer), "400" | "421"), "{path} {host}: {answer}");
            assert!(!answer.contains("permeated"), "{path} {host}: {answer}");
        }
    }
    // The request line may not say something else than the header.
    let answer = raw(
        &page,
        &format!("GET http://evil.example/ HTTP/1.1\r\nHost: localhost:{port}\r\nConnection: close\r\n\r\n"),
    )
    .await;
    assert_eq!(status(&answer), "421");
    let answer = raw(
        &page,
        &format!("GET / HTTP/1.1\r\nHost: localhost:{port}\r\nConnection: close\r\n\r\n"),
    )
    .await;
    assert_eq!(status(&answer), "200");
}

#[tokio::test]
async fn nothing_but_looking_is_served_and_no_body_is_read() {
    let page = serve(well()).await;
    let host = page.address;
    for method in ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"] {
        let answer = raw(
            &page,
            &format!("{method} / HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n"),
        )
        .await;
        assert_eq!(status(&answer), "405", "{method}");
    }
    for extra in ["Content-Length: 99999999", "Transfer-Encoding: chunked"] {
        let answer = raw(
            &page,
            &format!("GET / HTTP/1.1\r\nHost: {host}\r\n{extra}\r\nConnection: close\r\n\r\n"),
        )
        .await;
        assert_eq!(status(&answer), "413", "{extra}");
    }
    let answer = get(&page, "/").await.to_lowercase();
    for header in
        ["content-security-policy: default-src 'none'", "x-frame-options: deny", "nosniff"]
    {
        assert!(answer.contains(header), "no {header}");
    }
}

#[tokio::test]
async fn health_is_bad_for_what_stops_the_main_job_and_for_nothing_else() {
    let board = well();
    let page = serve(board.clone()).await;
    assert_eq!(status(&get(&page, "/healthz").await), "200");
    board.change_health(|health| {
        health.database_behind = Some(120_000);
        health.database_fault = Some("503".into());
    });
    let answer = get(&page, "/healthz").await;
    assert_eq!(status(&answer), "200");
    assert!(answer.contains("120000"));

    board.change_health(|health| health.broker_ready = false);
    board.change_health(|health| health.history_writable = false);
    board.change(0, |plant| plant.running = false);
    let answer = get(&page, "/healthz").await;
    assert_eq!(status(&answer), "503");
    let state: serde_json::Value = serde_json::from_str(body(&answer)).expect("JSON");
    assert_eq!(state["reasons"].as_array().expect("reasons").len(), 3, "{state}");
    let answer = get(&page, "/").await;
    assert!(answer.contains("The guard is not at work."));
    assert!(answer.contains("Shut the tap by hand."));
}

#[tokio::test]
async fn an_expired_permit_reads_as_nobody_watching() {
    let board = well();
    board.change(0, |plant| {
        let permit = plant.permit.as_mut().expect("a permit");
        permit.valid_until = Some(permeated::engine::time::Wall::from_millis(1_700_000_000_000));
    });
    let page = serve(board).await;
    let answer = get(&page, "/").await;
    assert!(answer.contains("Nobody knows what the water is. The guard is not at work."));
}

#[tokio::test]
async fn programs_find_every_value_of_the_board() {
    let board = spoiled();
    let page = serve(board.clone()).await;
    let state: serde_json::Value =
        serde_json::from_str(body(&get(&page, "/api/state").await)).expect("JSON");
    let plant = &state["plants"][0];
    let count = board.read(0, |plant| (plant.values.len(), plant.alarms.len()));
    assert_eq!(plant["values"].as_array().expect("values").len(), count.0);
    assert_eq!(plant["alarms"].as_array().expect("alarms").len(), count.1);
    assert_eq!(plant["permit"]["permitted"], false);

    let metrics = get(&page, "/metrics").await;
    for line in body(&metrics).lines().filter(|line| !line.starts_with('#')) {
        let (name, number) = line.rsplit_once(' ').expect("name and number");
        assert!(name.starts_with("permeated_"), "{line}");
        number.parse::<f64>().unwrap_or_else(|_| panic!("{line}"));
    }
    assert!(metrics.contains(r#"permeated_permitted{plant="cellar"} 0"#), "{metrics}");
    assert!(metrics.contains(r#"property="rejection"}"#));
}

#[tokio::test]
async fn only_loopback_is_listened_on() {
    for listen in ["0.0.0.0:0", "192.168.1.1:0", "[::]:0"] {
        let error = web::spawn(listen, TimeZone::UTC, well()).await.expect_err(listen);
        assert!(error.to_string().contains("loopback"), "{error}");
    }
    assert!(web::spawn("nonsense", TimeZone::UTC, well()).await.is_err());
}

#[tokio::test]
async fn what_comes_by_itself_does_not_read_as_a_fault() {
    let board = waiting();
    board.change(0, |plant| {
        let permit = plant.permit.as_mut().expect("a permit");
        permit.missing[0].cause = "minimum-off-time".into();
        permit.missing[0].kind = "permissive".into();
    });
    let page = serve(board.clone()).await;
    assert!(get(&page, "/").await.contains("It may not run yet."));
    board.change(0, |plant| {
        let permit = plant.permit.as_mut().expect("a permit");
        permit.missing[0].kind = "hold".into();
    });
    assert!(get(&page, "/").await.contains("It may not run.<"));
}

#[tokio::test]
async fn what_nothing_is_set_up_for_is_named_in_one_line() {
    let page = serve(well()).await;
    let answer = get(&page, "/").await;
    assert!(answer.contains("for want of what it needs: salt passage normalised</p>"));
    assert!(!answer.contains("<th>salt passage normalised"));
}
