//! Reports as HTML: one file each, with its style inside, no script, nothing from a network.
//!
//! Templates are checked by the compiler and escape every text; what comes from outside (names of boards, pins and
//! connectors, notes) never reaches a page otherwise. A content security policy in the page forbids scripts and
//! anything remote besides, should that ever fail.

mod batch;
mod change;
mod charts;
mod customer;
mod drawing;
mod sweep;

use maud::{DOCTYPE, Markup, PreEscaped, html};

pub use batch::{BatchPage, SweepLine, of_batch};
pub use change::before_and_after;
pub use customer::customer;
pub use sweep::of_sweep;

use super::words::Sign;

/// The style of every page: light, dark, print, phone.
const STYLE: &str = include_str!("style.css");

/// What a page may load: nothing. Styles stand in the page.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'";

/// A whole page.
fn page(title: &str, body: &Markup) -> String {
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                (drawing::patterns())
                (body)
            }
        }
    };
    page.into_string()
}

/// The foot of every page: what made it.
fn foot(fingerprints: &[(String, String)]) -> Markup {
    html! {
        footer {
            @if !fingerprints.is_empty() {
                section aria-labelledby="record" {
                    h2 id="record" { "Record" }
                    p { "The session log is the record; " code { "pintally replay" } " judges it again. Its SHA-256:" }
                    dl.record {
                        @for (name, fingerprint) in fingerprints {
                            dt { (name) }
                            dd { code { (fingerprint) } }
                        }
                    }
                }
            }
            p.maker { "Made by " (concat!("Pintally ", env!("CARGO_PKG_VERSION"))) }
        }
    }
}

/// A list of conditions.
fn conditions(lines: &[(&'static str, String)]) -> Markup {
    html! {
        section aria-labelledby="conditions" {
            h2 id="conditions" { "Conditions" }
            dl.conditions {
                @for (name, value) in lines {
                    div { dt { (name) } dd { (value) } }
                }
            }
        }
    }
}

/// Cautions above all else, if there are any.
fn cautions(lines: &[String]) -> Markup {
    html! {
        @if !lines.is_empty() {
            div.cautions role="note" {
                @for line in lines { p { strong { "Mind: " } (line) } }
            }
        }
    }
}

/// A sign with its word.
fn sign(sign: Sign, word: &str) -> Markup {
    html! { span class=(format!("sign {}", sign.class())) { (drawing::icon(sign)) (word) } }
}
