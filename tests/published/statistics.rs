//! Statistics against published and independently computed values. Sources stand beside each check.
#![allow(missing_docs, reason = "a test binary")]
#![allow(
    clippy::unwrap_used,
    clippy::disallowed_methods,
    reason = "a test reads its fixtures and fails where they are missing"
)]

mod control;
mod variation;

use std::{fs, path::PathBuf};

use pintally::statistics::{
    Moderated, SampleVariance, interquartile, mad, median_of, prediction_factor, quantile, summarise,
    tolerance_factor,
};
use serde_json::Value;

fn text(name: &str) -> String {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../fixtures/published").join(name);
    fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

fn json(name: &str) -> Value {
    serde_json::from_str(&text(name)).unwrap()
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|x| x.as_f64().unwrap()).collect()
}

/// Rows of a table without quotes, by column name.
fn rows(name: &str) -> Vec<impl Fn(&str) -> Option<f64>> {
    let text = text(name);
    let header: Vec<String> = text.lines().next().unwrap().split(',').map(str::to_owned).collect();
    text.lines()
        .skip(1)
        .map(|line| {
            let (header, fields) = (header.clone(), line.split(',').map(str::to_owned).collect::<Vec<_>>());
            move |column: &str| {
                let index = header.iter().position(|name| name == column).unwrap();
                fields.get(index).and_then(|field| field.parse().ok())
            }
        })
        .collect()
}

fn close(found: f64, expected: f64, relative: f64) {
    assert!((found - expected).abs() <= relative * expected.abs(), "found {found}, expected {expected}");
}

/// NIST/ITL Statistical Reference Datasets, univariate: NumAcc1 to NumAcc4, which are generated as the sets' headers
/// tell. Tolerances: what rounding of the data leaves (NumAcc3, NumAcc4) or what doubles allow.
#[test]
fn summaries_keep_the_digits_of_nist_strd() {
    let pairs = |x: f64| {
        let mut values = vec![x];
        for _ in 0..500 {
            values.extend([x - 0.1, x + 0.1]);
        }
        values
    };
    let exact = summarise(&[10_000_001.0, 10_000_003.0, 10_000_002.0]).unwrap();
    assert_eq!((exact.mean, exact.deviation), (10_000_002.0, Some(1.0)));
    for (x, mean_tolerance, deviation_tolerance) in
        [(1.2, 1e-14, 1e-13), (1_000_000.2, 1e-15, 1e-9), (10_000_000.2, 1e-15, 1e-8)]
    {
        let summary = summarise(&pairs(x)).unwrap();
        close(summary.mean, x, mean_tolerance);
        close(summary.deviation.unwrap(), 0.1, deviation_tolerance);
    }
}

/// Venables & Ripley, Modern Applied Statistics with S, 4th ed. 2002, section 5.5: 24 copper values.
#[test]
fn robust_estimates_of_the_copper_values() {
    let chem = &json("robust/robust.json")["chem"];
    let data = numbers(&chem["data"]);
    let expected = |key: &str| chem[key].as_f64().unwrap();
    let summary = summarise(&data).unwrap();
    close(summary.mean, expected("mean"), 1e-12);
    close(summary.deviation.unwrap(), expected("sd"), 1e-12);
    close(median_of(data.iter().copied()).unwrap(), expected("median"), 1e-15);
    close(mad(&data).unwrap(), expected("mad_1p4826"), 2e-5);
    close(interquartile(&data).unwrap(), expected("iqr_normalised"), 1e-4);
    for p in ["0.25", "0.75", "0.9"] {
        let expected = chem["quantiles_type7"][p].as_f64().unwrap();
        close(quantile(&data, p.parse().unwrap()).unwrap(), expected, 1e-12);
    }
}

/// NIST/SEMATECH e-Handbook 7.2.6.2: 90th percentile of 12 wafers by definition 7, as printed.
#[test]
fn a_percentile_of_the_nist_handbook() {
    let worked = json("nist_handbook/worked_examples.json");
    let example = &worked["percentile_7.2.6.2"];
    let found = quantile(&numbers(&example["data"]), 0.9).unwrap();
    let printed = example["printed"]["p90_R7"].as_f64().unwrap();
    assert!((found - printed).abs() < 5e-5, "{found}");
}

/// Exact two-sided factors: computed with 34 digits, and Meeker, Hahn & Escobar, Statistical Intervals, 2nd ed., table
/// J.5b, as carried by an open package.
#[test]
fn tolerance_factors_agree_with_the_published_table() {
    let mut published = 0;
    for row in rows("kfactors/two_sided.csv") {
        let n = row("n").unwrap();
        let factor =
            tolerance_factor(n as usize, n - 1.0, row("content").unwrap(), row("confidence").unwrap())
                .unwrap();
        close(factor, row("exact_computed_mpmath").unwrap(), 1e-9);
        if let Some(table) = row("published_MHE_table_J5b") {
            assert!((factor - table).abs() < 5.1e-4, "n {n}: {factor}, table {table}");
            published += 1;
        }
    }
    assert!(published >= 52, "{published} published values were compared");
}

/// ISO 16269-6:2014, annex F, tables F.1 to F.9, column m = 1: the exact factor rounded up at the fourth decimal.
#[test]
fn tolerance_factors_agree_with_iso_16269_6() {
    let mut count = 0;
    for row in rows("kfactors/iso16269_6_annexF_m1.csv") {
        let n = row("n").unwrap();
        let factor =
            tolerance_factor(n as usize, n - 1.0, row("content").unwrap(), row("confidence").unwrap())
                .unwrap();
        let rounded_up = (factor * 1e4 - 1e-6).ceil() / 1e4;
        assert!((rounded_up - row("k_iso_rounded_up_4dp").unwrap()).abs() < 1e-9, "n {n}: {factor}");
        count += 1;
    }
    assert_eq!(count, rows("kfactors/iso16269_6_annexF_m1.csv").len());
    assert!(count >= 44);
}

/// Prediction factor for one future value, `t·√(1 + 1/n)` (Hahn & Meeker), computed with another library.
#[test]
fn prediction_factors() {
    for row in rows("kfactors/prediction_factors.csv") {
        let (n, confidence) = (row("n").unwrap(), row("confidence").unwrap());
        let found = |alarm: f64| prediction_factor(alarm, n as usize, n - 1.0);
        close(found(1.0 - confidence), row("k_one_future_value").unwrap(), 1e-9);
        // Shared over many pins: the false-alarm rate of a board.
        close(found((1.0 - confidence) / 50.0), row("k_bonferroni_m50").unwrap(), 1e-8);
    }
}

/// Smyth 2004 (doi 10.2202/1544-6115.1027), computed with numpy and scipy: `moderated/recipe.py`.
#[test]
fn moderated_variance_agrees_with_a_statistics_package() {
    for (name, set) in json("moderated/moderated.json").as_object().unwrap() {
        let freedom = set["freedom_each"].as_f64().unwrap();
        let samples: Vec<SampleVariance> = numbers(&set["variances"])
            .into_iter()
            .map(|variance| SampleVariance { variance, freedom })
            .collect();
        let common = Moderated::learn(&samples).unwrap();
        match set["d0"].as_f64() {
            Some(d0) => close(common.freedom, d0, 1e-8),
            None => assert_eq!(common.freedom, f64::MAX, "{name}"),
        }
        close(common.variance, set["s0_squared"].as_f64().unwrap(), 1e-8);
        for (sample, expected) in samples.iter().zip(numbers(&set["posterior"])) {
            close(common.of(*sample).variance, expected, 1e-8);
        }
    }
}
