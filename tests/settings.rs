//! Settings as a user meets them: the files of `config/`, several layers, every problem at once.

use permeated::cmd::check::{judge, render};
use permeated::settings::load::{from_str, load};
use permeated::settings::reference::{default_toml, reference_md, sample, schema_json};
use permeated::settings::{Problems, Severity};
use std::path::{Path, PathBuf};

fn config(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("config").join(name)
}

/// Compares a committed file with its rendering; rewrites it when `UPDATE_REFERENCE=1` is set.
fn is_current(name: &str, rendered: &str) {
    let file = config(name);
    if std::env::var("UPDATE_REFERENCE").is_ok_and(|value| value == "1") {
        std::fs::write(&file, rendered).expect("writes");
    }
    let committed = std::fs::read_to_string(&file).expect("reads");
    let line = committed.lines().zip(rendered.lines()).position(|(a, b)| a != b);
    assert!(
        committed == rendered,
        "config/{name} is not what the schema says (first difference in line {:?}); run this test \
         with UPDATE_REFERENCE=1",
        line.map(|line| line + 1)
    );
}

#[test]
fn the_reference_page_is_current() {
    is_current("reference.md", &reference_md());
}

#[test]
fn the_json_schema_is_current() {
    is_current("schema.json", &schema_json());
}

#[test]
fn the_commented_defaults_are_current() {
    is_current("default.toml", &default_toml());
}

fn committed_defaults() -> String {
    std::fs::read_to_string(config("default.toml")).expect("reads")
}

#[test]
fn every_key_stands_in_the_commented_defaults_with_its_default_unit_and_range() {
    assert_eq!(sample::problems(&committed_defaults()), Vec::<String>::new());
}

/// Changes the text in one place and expects exactly this to be found.
fn is_found(from: &str, to: &str, what: &str) {
    let text = committed_defaults();
    assert!(text.contains(from), "{from:?} does not stand in config/default.toml");
    let found = sample::problems(&text.replacen(from, to, 1));
    assert!(found.iter().any(|problem| problem.contains(what)), "{what}: {found:?}");
}

#[test]
fn a_key_that_was_removed_from_the_commented_defaults_is_found() {
    is_found("#keep_alive_secs = 15\n", "", "broker.keep_alive_secs is missing");
    is_found("# password_file = ", "# ", "broker.password_file is missing");
    is_found("#travel_secs = 0.0\n", "", "plants.home.actuators.valve.travel_secs is missing");
}

#[test]
fn a_default_that_was_changed_in_the_commented_defaults_is_found() {
    is_found("#keep_alive_secs = 15\n", "#keep_alive_secs = 16\n", "broker.keep_alive_secs = 16");
    is_found("#mode = \"hub\"", "#mode = \"level\"", "demand.mode = \"level\"");
    is_found("#limit_ppm = 1.0", "#limit_ppm = 2.0", "limits.product.limit_ppm = 2.0");
}

#[test]
fn a_comment_that_lost_its_unit_range_or_extremes_is_found() {
    is_found("Unit: ppm·L. ", "", "dose_ppm_litres lacks its unit");
    is_found("Range: 5 to 60. ", "", "guard_keep_alive_secs lacks its range");
    is_found("Lower: a short bubble", "A short bubble", "dose_ppm_litres does not say what");
}

#[test]
fn the_example_files_are_accepted() {
    for name in ["example.toml", "full.toml"] {
        let loaded = load(&[config(name)], std::iter::empty());
        match loaded {
            Ok(loaded) => {
                for (id, plant) in &loaded.settings.plants {
                    let setup = permeated::engine::setup::Setup::resolve(
                        id,
                        plant,
                        loaded.settings.daemon.on_stop,
                        loaded.settings.broker.guard_keep_alive_secs,
                    );
                    assert_eq!(setup.sensors.len(), plant.sensors.len());
                }
            }
            Err(problems) => panic!("{name}:\n{problems}"),
        }
    }
}

#[test]
fn a_full_plant_leaves_nothing_to_warn_of() {
    let loaded = load(&[config("full.toml")], std::iter::empty()).expect("accepted");
    assert_eq!(loaded.warnings, Vec::new(), "{:#?}", loaded.warnings);
}

fn write(folder: &Path, name: &str, text: &str) -> PathBuf {
    let file = folder.join(name);
    std::fs::write(&file, text).expect("writes");
    file
}

fn environment(pairs: &[(&str, &str)]) -> impl Iterator<Item = (String, String)> {
    pairs.iter().map(|(n, v)| ((*n).to_owned(), (*v).to_owned())).collect::<Vec<_>>().into_iter()
}

#[test]
fn later_files_and_then_the_environment_win() {
    let folder = tempfile::tempdir().expect("folder");
    let base = config("example.toml");
    let site = write(
        folder.path(),
        "site.toml",
        "[broker]\nhost = \"10.1.1.1\"\nport = 2000\n[plants.home.sensors.product]\nstep = 0.1\n",
    );
    let variables = environment(&[
        ("PERMEATED__BROKER__PORT", "2883"),
        ("PERMEATED__PLANTS__HOME__SENSORS__PRODUCT__TOPIC", "attic/product"),
        ("UNRELATED__X", "1"),
    ]);
    let settings = load(&[base, site], variables).expect("accepted").settings;
    assert_eq!(settings.broker.host, "10.1.1.1");
    assert_eq!(settings.broker.port, 2883);
    let product = &settings.plants["home"].sensors["product"];
    assert_eq!(product.topic, "attic/product");
    assert_eq!(product.step, 0.1);
    assert_eq!(product.unit, "ppm", "what a later file does not say stays");
}

fn lines(problems: &Problems) -> Vec<(String, Option<u32>, String)> {
    problems
        .0
        .iter()
        .filter(|problem| problem.severity == Severity::Error)
        .map(|p| (p.file.rsplit('/').next().unwrap_or("").to_owned(), p.line, p.key_path.clone()))
        .collect()
}

#[test]
fn every_mistake_of_every_layer_is_reported_at_once_with_its_place() {
    let folder = tempfile::tempdir().expect("folder");
    let one = write(
        folder.path(),
        "one.toml",
        r#"[broker]
port = "1883"
hots = "10.0.0.1"

[plants.home.sensors.product]
topic = "cellar/#"
quantity = "tds"
point = "product"
unit = "psi"

[plants.home.sensors.permeate]
topic = "cellar/valve/set"
quantity = "tds"
point = "permeat"
unit = "ppm"
"#,
    );
    let two = write(
        folder.path(),
        "two.toml",
        r#"[plants.home.actuators.valve]
role = "supply-valve"
topic = "cellar/valve/set"
close = "OFF"
open = "OFF"
retain_open = true
state_sensor = "none"

[web]
listen = "0.0.0.0:80"
"#,
    );
    let variables = environment(&[("PERMEATED__DATABASE__URL", "http://h/path")]);
    let problems = load(&[one, two], variables).expect_err("many mistakes");
    let found = lines(&problems);
    let expected: Vec<(&str, Option<u32>, &str)> = vec![
        ("one.toml", Some(2), "broker.port"),
        ("one.toml", Some(3), "broker.hots"),
        ("one.toml", Some(6), "plants.home.sensors.product.topic"),
        ("one.toml", Some(9), "plants.home.sensors.product.unit"),
        ("one.toml", Some(12), "plants.home.sensors.permeate.topic"),
        ("one.toml", Some(14), "plants.home.sensors.permeate.point"),
        ("two.toml", Some(5), "plants.home.actuators.valve.open"),
        ("two.toml", Some(6), "plants.home.actuators.valve.retain_open"),
        ("two.toml", Some(7), "plants.home.actuators.valve.state_sensor"),
        ("two.toml", Some(10), "web.listen"),
        ("environment variable PERMEATED__DATABASE__URL", None, "database.url"),
    ];
    let found: Vec<(&str, Option<u32>, &str)> =
        found.iter().map(|(file, line, path)| (file.as_str(), *line, path.as_str())).collect();
    assert_eq!(found, expected, "{problems}");
    for problem in &problems.0 {
        assert!(!problem.what.is_empty() && !problem.todo.is_empty(), "{problem}");
    }
    let shown = problems.to_string();
    assert!(shown.contains("did you mean `host`?"), "{shown}");
    assert!(shown.contains("never retained"), "{shown}");
}

#[test]
fn a_file_that_is_missing_is_named_and_the_rest_still_checked() {
    let folder = tempfile::tempdir().expect("folder");
    let bad = write(folder.path(), "bad.toml", "[broker]\nprot = 1\n");
    let problems = load(&[folder.path().join("none.toml"), bad], std::iter::empty())
        .expect_err("a file is missing");
    let found = lines(&problems);
    assert_eq!(found.len(), 2, "{problems}");
}

#[test]
fn numbers_and_texts_are_never_taken_for_one_another() {
    let base = std::fs::read_to_string(config("example.toml")).expect("reads");
    for (from, to) in [
        ("host = \"127.0.0.1\"", "host = true"),
        ("host = \"127.0.0.1\"", "port = 1883.9"),
        ("name = \"Cellar\"", "name = 5"),
        ("step = 1", "step = \"1\""),
    ] {
        assert!(base.contains(from), "{from}");
        assert!(from_str("x", &base.replacen(from, to, 1)).is_err(), "{to}");
    }
}

#[test]
fn an_actuator_has_no_spelling_by_which_an_open_is_retained() {
    let base = std::fs::read_to_string(config("example.toml")).expect("reads");
    for key in ["retain", "retained", "retain_open", "open_retain", "retain_close_and_open"] {
        let text = base.replacen("open = \"ON\"", &format!("open = \"ON\"\n{key} = true"), 1);
        let problems = from_str("x", &text).expect_err(key);
        assert!(problems.to_string().contains("never retained"), "{key}: {problems}");
    }
}

fn told(name: &str) -> String {
    render(&load(&[config(name)], std::iter::empty()).expect("accepted").settings, true)
}

#[test]
fn check_tells_the_smallest_site_what_it_has_and_what_closes_its_valve() {
    let page = told("example.toml");
    for expected in [
        "permeate + assumed.feed_tds_ppm (partly assumed)",
        "product-tds-high",
        "13.5 s",
        "nothing but your mechanical float valve",
        "closed without power",
        "never plumb the unit straight to the aquarium",
    ] {
        assert!(page.to_lowercase().contains(&expected.to_lowercase()), "{expected}:\n{page}");
    }
    let (seen, unseen) = page.split_once("No sensor of this plant").expect("says what it misses");
    assert!(!seen.contains("\n    leak "), "nothing here sees a leak:\n{page}");
    assert!(unseen.contains("leak") && unseen.contains("store-level-high-high"), "{page}");
    for line in page.lines() {
        assert!(line.chars().count() <= 100, "{line}");
    }
}

#[test]
fn check_is_one_screen_unless_everything_is_asked_for() {
    for name in ["example.toml", "full.toml"] {
        let settings = load(&[config(name)], std::iter::empty()).expect("accepted").settings;
        let page = render(&settings, false);
        assert!(page.lines().count() <= 45, "{name} has {} lines", page.lines().count());
        for expected in ["product-tds-high", "the broker dies", "What it knows", "check --full"] {
            assert!(page.contains(expected), "{expected}:\n{page}");
        }
        let full = render(&settings, true);
        assert!(full.contains("how long a person has to respond"), "{full}");
    }
}

#[test]
fn check_tells_of_the_off_timer_of_a_full_plant() {
    let page = told("full.toml");
    assert!(page.contains("off-timer, within 180.0 s"), "{page}");
    assert!(page.contains("membrane/recovery"), "{page}");
    assert!(page.contains("pump"), "{page}");
}

#[test]
fn check_refuses_a_secret_that_everybody_may_read() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().expect("folder");
    let secret = write(folder.path(), "password", "word\n");
    let site = write(
        folder.path(),
        "site.toml",
        "[broker]\nuser = \"guard\"\npassword_file = \"password\"\n",
    );
    let files = [config("example.toml"), site];
    let rights = |mode| {
        std::fs::set_permissions(&secret, std::fs::Permissions::from_mode(mode)).expect("rights");
    };
    rights(0o644);
    let problems = judge(&files, std::iter::empty(), Some(folder.path())).expect_err("open");
    let found = lines(&problems);
    assert_eq!(
        found,
        [("site.toml".to_owned(), Some(3), "broker.password_file".to_owned())],
        "{problems}"
    );
    rights(0o400);
    assert!(judge(&files, std::iter::empty(), Some(folder.path())).is_ok());
}
