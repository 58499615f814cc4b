//! `docs/dependencies.md` names every package that a `Cargo.toml` names, with its features, and no other.

use std::collections::{BTreeMap, BTreeSet};

const MEMBERS: [&str; 4] = ["firmware", "pintally", "protocol", "tests"];

/// Users and features of a package.
type Uses = BTreeMap<String, (BTreeSet<String>, BTreeSet<String>)>;

fn table(text: &str) -> toml::Table {
    text.parse().unwrap()
}

/// Adds the dependencies of a manifest, wherever in it they stand.
fn collect(manifest: &toml::Table, user: &str, shared: &toml::Table, uses: &mut Uses) {
    for (key, value) in manifest {
        let Some(inner) = value.as_table() else { continue };
        if !key.ends_with("dependencies") {
            collect(inner, user, shared, uses);
            continue;
        }
        for (name, own) in inner.iter().filter(|(name, _)| !MEMBERS.contains(&name.as_str())) {
            let is_shared = own.get("workspace").is_some();
            let layers = [is_shared.then(|| &shared[name]), Some(own)];
            let (users, features) = uses.entry(name.clone()).or_default();
            users.insert(user.to_owned());
            let layers: Vec<&toml::Value> = layers.into_iter().flatten().collect();
            let default = layers.iter().rev().find_map(|layer| layer.get("default-features")?.as_bool());
            if default.unwrap_or(true) {
                features.insert("default".to_owned());
            }
            for list in layers.iter().filter_map(|layer| layer.get("features")?.as_array()) {
                features.extend(list.iter().map(|feature| feature.as_str().unwrap().to_owned()));
            }
        }
    }
}

#[test]
fn every_direct_dependency_has_its_reason() {
    let workspace = table(include_str!("../../Cargo.toml"));
    let shared = workspace["workspace"]["dependencies"].as_table().unwrap();
    let mut uses = Uses::new();
    for (user, manifest) in [
        ("protocol", include_str!("../../protocol/Cargo.toml")),
        ("firmware", include_str!("../../firmware/Cargo.toml")),
        ("images", include_str!("../../firmware/images/Cargo.toml")),
        ("host", include_str!("../../host/Cargo.toml")),
        ("tests", include_str!("../../tests/Cargo.toml")),
        ("fuzz", include_str!("../../host/fuzz/Cargo.toml")),
        ("fuzz", include_str!("../../protocol/fuzz/Cargo.toml")),
    ] {
        collect(&table(manifest), user, shared, &mut uses);
    }
    assert!(uses.len() > 40, "{}", uses.len());

    let page = include_str!("../../docs/dependencies.md");
    let mut rows = Uses::new();
    for row in page.lines().filter(|line| line.starts_with("| `")) {
        let cells: Vec<&str> = row.trim_matches('|').split('|').map(str::trim).collect();
        let [name, users, features, why, without] = cells[..] else { panic!("{row}") };
        assert!(why.len() > 10 && without.len() > 2, "no reason: {row}");
        let list = |text: &str| -> BTreeSet<String> {
            text.split(", ").filter(|item| *item != "-").map(str::to_owned).collect()
        };
        rows.insert(name.trim_matches('`').to_owned(), (list(users), list(features)));
    }
    for (name, used) in &uses {
        assert_eq!(rows.get(name), Some(used), "`{name}`: the page against the Cargo.toml files");
    }
    for name in rows.keys() {
        assert!(uses.contains_key(name), "`{name}` is used no more");
    }
}
