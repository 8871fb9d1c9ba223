//! Licences and bans of every dependency that is linked, against `.ci/deny.toml`, offline.
#![allow(missing_docs)]

use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::process::Command;

fn rules() -> toml::Table {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/.ci/deny.toml");
    let text = std::fs::read_to_string(path).unwrap_or_else(|error| panic!("{path}: {error}"));
    text.parse().unwrap_or_else(|error| panic!("{path}: {error}"))
}

/// An SPDX expression as crates use it: `OR`, `AND`, `/` for OR, and brackets.
fn is_allowed(expression: &str, allowed: &BTreeSet<String>) -> bool {
    let plain = expression.replace('/', " OR ").replace(['(', ')'], " ");
    // Brackets appear only around an OR within an AND, so the weakest reading is enough: every part of
    // an AND needs one allowed alternative.
    plain
        .split(" AND ")
        .all(|part| part.split(" OR ").any(|licence| allowed.contains(licence.trim())))
}

fn packages() -> Vec<Value> {
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--locked", "--offline"])
        .args(["--filter-platform", "x86_64-unknown-linux-gnu"])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .expect("cargo runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata: Value = serde_json::from_slice(&output.stdout).expect("cargo writes JSON");
    let resolved: BTreeSet<String> = metadata["resolve"]["nodes"]
        .as_array()
        .expect("a list of nodes")
        .iter()
        .map(|node| node["id"].as_str().expect("an id").to_owned())
        .collect();
    metadata["packages"]
        .as_array()
        .expect("a list of packages")
        .iter()
        .filter(|package| resolved.contains(package["id"].as_str().expect("an id")))
        .cloned()
        .collect()
}

#[test]
fn every_licence_is_allowed() {
    let rules = rules();
    let allowed: BTreeSet<String> = rules["licenses"]["allow"]
        .as_array()
        .expect("a list")
        .iter()
        .map(|licence| licence.as_str().expect("a text").to_owned())
        .collect();
    let packages = packages();
    assert!(packages.len() > 100, "only {} packages were seen", packages.len());
    let refused: BTreeMap<&str, &str> = packages
        .iter()
        .map(|package| {
            let name = package["name"].as_str().expect("a name");
            (name, package["license"].as_str().unwrap_or("none"))
        })
        .filter(|(_, licence)| !is_allowed(licence, &allowed))
        .collect();
    assert!(refused.is_empty(), "not allowed: {refused:#?}");
    assert!(!is_allowed("GPL-3.0", &allowed) && !is_allowed("MIT AND GPL-3.0", &allowed));
}

#[test]
fn banned_crates_stay_out() {
    let rules = rules();
    let banned: BTreeSet<&str> = rules["bans"]["deny"]
        .as_array()
        .expect("a list")
        .iter()
        .map(|ban| ban["name"].as_str().expect("a name"))
        .collect();
    let packages = packages();
    let found: Vec<&str> = packages
        .iter()
        .map(|package| package["name"].as_str().expect("a name"))
        .filter(|name| banned.contains(name))
        .collect();
    assert!(found.is_empty(), "banned: {found:?}");
}
