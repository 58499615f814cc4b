//! A file in the place of the history's database: whatever the bytes, rows or a message that can be shown, and the file
//! of somebody else is not written to.
#![allow(clippy::disallowed_methods, reason = "a database is a file")]

use std::{fs, process, thread};

use pintally::{
    history::{FILE, Filter, History},
    label,
};

pub(crate) fn check(data: &[u8]) {
    let folder =
        std::env::temp_dir().join(format!("pintally-fuzz-{}-{:?}", process::id(), thread::current().id()));
    fs::create_dir_all(&folder).expect("a folder for temporary files");
    fs::write(folder.join(FILE), data).expect("a folder for temporary files");
    let opened = History::open(&folder).and_then(|history| {
        let _ = history.dump();
        history.sweeps(&Filter::default()).map(|_| ())
    });
    if let Err(error) = opened {
        let message = error.to_string();
        assert!(!message.chars().any(label::is_unprintable), "{error:?}");
    }
    fs::remove_dir_all(&folder).expect("a folder that was just made");
}
