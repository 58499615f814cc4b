//! Data flows down: no room of the host imports from one that stands beside or below it in `host/src/lib.rs`.

use std::{
    collections::BTreeMap,
    fs,
    path::{Path, PathBuf},
};

/// The rooms, each with the number of its group.
fn rooms(source: &Path) -> BTreeMap<String, usize> {
    let text = fs::read_to_string(source.join("lib.rs")).unwrap();
    let groups = text.split("\n\n").map(|group| {
        group.lines().filter_map(|line| line.strip_prefix("pub mod ")?.strip_suffix(';')).collect::<Vec<_>>()
    });
    let groups = groups.filter(|rooms| !rooms.is_empty()).enumerate();
    groups.flat_map(|(at, rooms)| rooms.into_iter().map(move |room| (room.to_owned(), at))).collect()
}

fn files(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files(&path, found);
        } else if path.extension().is_some_and(|extension| extension == "rs") && !path.ends_with("tests.rs") {
            found.push(path);
        }
    }
}

/// What a file imports or names, comments and its tests left out.
fn imports(text: &str) -> Vec<String> {
    let text = text.split("#[cfg(test)]\nmod tests").next().unwrap();
    let code: String = text.lines().map(|line| line.split("//").next().unwrap().to_owned() + "\n").collect();
    let mut names = Vec::new();
    for rest in code.split("crate::").skip(1) {
        let Some(list) = rest.strip_prefix('{') else {
            names.push(rest.split(|c: char| !c.is_alphanumeric() && c != '_').next().unwrap().to_owned());
            continue;
        };
        // The first word of each item of the list, whatever braces it opens.
        let (mut depth, mut is_first) = (1, true);
        let mut name = String::new();
        for c in list.chars().take_while(|c| !matches!(c, ';')) {
            match c {
                '{' => depth += 1,
                '}' => depth -= 1,
                ',' if depth == 1 => {
                    names.push(std::mem::take(&mut name));
                    is_first = true;
                }
                c if depth == 1 && is_first && (c.is_alphanumeric() || c == '_') => name.push(c),
                ':' if depth == 1 => is_first = false,
                _ => {}
            }
        }
        names.push(name);
    }
    names
}

#[test]
fn a_room_imports_only_from_rooms_above_it() {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let rooms = rooms(&source);
    assert_eq!(rooms.values().max(), Some(&9), "ten groups: {rooms:?}");
    let mut found = Vec::new();
    files(&source, &mut found);
    assert!(found.len() > 300, "{} files", found.len());
    let (mut seen, mut wrong) = (0, Vec::new());
    for path in found {
        let inside = path.strip_prefix(&source).unwrap().to_str().unwrap().replace('\\', "/");
        let room = inside.split('/').next().unwrap().trim_end_matches(".rs").to_owned();
        let Some(own) = rooms.get(&room) else { continue };
        for name in imports(&fs::read_to_string(&path).unwrap()) {
            let Some(other) = rooms.get(&name).filter(|_| name != room) else { continue };
            seen += 1;
            if other >= own {
                wrong.push(format!("{inside}: {name} does not stand above {room}"));
            }
        }
    }
    assert!(seen > 500, "only {seen} imports seen");
    assert_eq!(wrong, Vec::<String>::new());
}
