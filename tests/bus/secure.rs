//! Login and TLS, for the main connection and the guards alike.

use crate::harness::{Harness, PATIENCE, VALVE, capture_log, log, settings};
use crate::support::broker::{Broker, Kind};
use crate::support::port::free_port;
use crate::support::wait;
use permeated::engine::event::Event;
use permeated::engine::output::Action;
use permeated::settings::schema::Tls;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

fn openssl(folder: &Path, arguments: &str) {
    let status = Command::new("openssl")
        .args(arguments.split(' '))
        .current_dir(folder)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .expect("openssl is not installed; on Debian: apt-get install openssl");
    assert!(status.success(), "openssl {arguments}");
}

/// An authority, a certificate for 127.0.0.1 and one for a client.
fn certificates(folder: &Path) {
    let key = "-newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes";
    openssl(folder, &format!("req -x509 {key} -keyout ca.key -out ca.pem -days 2 -subj /CN=ca"));
    std::fs::write(folder.join("server.ext"), "subjectAltName=IP:127.0.0.1\n").expect("written");
    std::fs::write(folder.join("client.ext"), "extendedKeyUsage=clientAuth\n").expect("written");
    for name in ["server", "client"] {
        openssl(
            folder,
            &format!("req -new {key} -keyout {name}.key -out {name}.csr -subj /CN={name}"),
        );
        openssl(
            folder,
            &format!(
                "x509 -req -in {name}.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days 2 \
                 -extfile {name}.ext -out {name}.pem"
            )
            .replace("                  ", " "),
        );
    }
}

#[test]
fn tls_with_a_client_certificate() {
    let folder = tempfile::tempdir().expect("a folder");
    certificates(folder.path());
    let file = |name: &str| folder.path().join(name);
    let port = free_port();
    let extra = format!(
        "listener {port} 127.0.0.1\ncafile {}\ncertfile {}\nkeyfile {}\nrequire_certificate true\n\
         allow_anonymous true\nlistener {{port}} 127.0.0.1",
        file("ca.pem").display(),
        file("server.pem").display(),
        file("server.key").display(),
    );
    let _broker = Broker::start_with(Kind::Mosquitto, &extra);
    let mut with = settings(port);
    with.broker.tls = Some(Tls {
        ca_file: file("ca.pem"),
        certificate_file: Some(file("client.pem")),
        key_file: Some(file("client.key")),
    });
    let harness = Harness::with(with.clone());
    harness.wait_ready();
    harness.send(Action::Close);
    harness.wait(&Event::CloseAcknowledged { actuator: VALVE });

    let mut without = with;
    if let Some(tls) = &mut without.broker.tls {
        tls.certificate_file = None;
        tls.key_file = None;
    }
    let refused = Harness::with(without);
    wait::never("ready without a certificate", Duration::from_secs(1), || {
        refused.count(&Event::BrokerReady) > 0
    });
}

#[test]
fn a_login_is_used_by_every_connection_and_a_wrong_one_is_named() {
    capture_log();
    let folder = tempfile::tempdir().expect("a folder");
    let passwords = folder.path().join("passwords");
    let status = Command::new("mosquitto_passwd")
        .args(["-b", "-c"])
        .arg(&passwords)
        .args(["daemon", "secret"])
        .status()
        .expect("mosquitto_passwd is not installed; on Debian: apt-get install mosquitto");
    assert!(status.success());
    let extra = format!("allow_anonymous false\npassword_file {}", passwords.display());
    let broker = Broker::start_with(Kind::Mosquitto, &extra);
    let mut settings = settings(broker.port());
    settings.broker.user = "daemon".into();
    let file = folder.path().join("password");
    std::fs::write(&file, "secret\n").expect("written");
    settings.broker.password_file = Some(file.clone());
    let harness = Harness::with(settings.clone());
    harness.wait_ready();

    std::fs::write(&file, "wrong\n").expect("written");
    let _refused = Harness::with(settings);
    wait::until("both connections say why", PATIENCE, || {
        let log = log();
        log.contains(
            "no connection to the broker why=Connection refused, return code: `NotAuthorized`",
        ) && log.contains("refused by the broker: NotAuthorized")
    });
    assert!(!log().contains("wrong"), "no password in the log");
}
