//! Control charts, run lengths and shares against published values.

use pintally::statistics::{
    Cusum, Ewma, Individuals, binomial_tail, cusum_limit, cusum_run_length, ewma_limit, ewma_run_length,
    wilson,
};

use super::{close, json, numbers};

fn worked(name: &str) -> serde_json::Value {
    json("nist_handbook/worked_examples.json")[name].clone()
}

fn number(value: &serde_json::Value, path: &str) -> f64 {
    value.pointer(path).and_then(serde_json::Value::as_f64).unwrap()
}

/// NIST/SEMATECH e-Handbook 6.3.2.2: ten flow rates, as printed.
#[test]
fn individuals_of_the_nist_handbook() {
    let example = worked("individuals_6.3.2.2");
    let chart = Individuals::of(&numbers(&example["data"])).unwrap();
    let (low, high) = chart.limits();
    for (found, path) in [
        (chart.mean, "/printed/mean"),
        (chart.moving_range, "/printed/mr_bar"),
        (high, "/printed/ucl"),
        (low, "/printed/lcl"),
    ] {
        let printed = number(&example, path);
        assert!((found - printed).abs() <= 5e-5, "{path}: {found}, printed {printed}");
    }
    assert!(numbers(&example["data"]).iter().all(|x| (low..=high).contains(x)), "none is out");
}

/// NIST/SEMATECH e-Handbook 6.3.2.4: twenty values with weight 0.3; averages as printed (two decimals), limits to all
/// digits (the page takes a rounded square root for the lower one).
#[test]
fn moving_average_of_the_nist_handbook() {
    let example = worked("ewma_6.3.2.4");
    let weight = number(&example, "/lam");
    let mut chart = Ewma::new(weight, number(&example, "/ewma0"));
    let mut found = vec![chart.value()];
    found.extend(numbers(&example["data"]).iter().map(|&x| chart.take(x)));
    let printed = numbers(&example["printed"]["ewma"]);
    assert_eq!(found.len(), printed.len());
    for (found, printed) in found.iter().zip(&printed) {
        assert!((found - printed).abs() <= 5e-3, "{found}, printed {printed}");
    }
    let half = number(&example, "/k") * number(&example, "/s") * Ewma::spread(weight);
    assert!((50.0 + half - number(&example, "/printed/ucl")).abs() < 5e-5);
    assert!((50.0 - half - number(&example, "/printed/lcl")).abs() < 1e-4);
    assert!(found.iter().all(|x| (x - 50.0).abs() < half), "none is out");
}

/// NIST/SEMATECH e-Handbook 6.3.2.3: twenty means; both sums as printed (two decimals), first signal at group 14.
#[test]
fn cumulative_sums_of_the_nist_handbook() {
    let example = worked("cusum_6.3.2.3");
    let mut chart = Cusum::new(number(&example, "/target"), number(&example, "/k"));
    let limit = number(&example, "/h");
    let mut signals = Vec::new();
    let (highs, lows) = (numbers(&example["printed"]["s_hi"]), numbers(&example["printed"]["s_lo"]));
    for (index, value) in numbers(&example["data"]).into_iter().enumerate() {
        if chart.take(value) > limit {
            signals.push(index + 1);
        }
        assert!((chart.high - highs[index]).abs() < 5.1e-3, "group {}: {}", index + 1, chart.high);
        assert!((chart.low - lows[index]).abs() < 5.1e-3, "group {}: {}", index + 1, chart.low);
    }
    assert_eq!(signals, (14..=20).collect::<Vec<_>>());
}

/// Average run lengths of two-sided cumulative sums with slack 0.5: Montgomery, Introduction to Statistical Quality
/// Control, table 9.3 (from memory), to its last digit; all digits as computed with the R package spc 0.6.7.
#[test]
fn run_lengths_of_cumulative_sums() {
    let shifts = [0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0];
    let four = [167.684, 74.224, 26.630, 13.285, 8.3831, 4.7472, 3.3428, 2.6195, 2.1945, 1.7085];
    let five = [465.444, 139.494, 37.996, 17.048, 10.376, 5.7472, 4.0089, 3.1137, 2.5733, 2.0126];
    let printed_four = ["168", "74.2", "26.6", "13.3", "8.38", "4.75", "3.34", "2.62", "2.19", "1.71"];
    let printed_five = ["465", "139", "38.0", "17.0", "10.4", "5.75", "4.01", "3.11", "2.57", "2.01"];
    for (limit, computed, printed) in [(4.0, four, printed_four), (5.0, five, printed_five)] {
        for ((shift, expected), printed) in shifts.into_iter().zip(computed).zip(printed) {
            let found = cusum_run_length(0.5, limit, shift).unwrap();
            close(found, expected, 1e-4);
            let decimals = printed.split_once('.').map_or(0, |(_, decimals)| decimals.len());
            assert_eq!(format!("{found:.decimals$}"), printed, "limit {limit}, shift {shift}");
        }
    }
    close(cusum_limit(0.5, 465.444).unwrap(), 5.0, 1e-5);
}

/// Average run lengths of the moving average: Lucas and Saccucci, Technometrics 32 (1990), table 3: in control 500 each,
/// and after a shift of one deviation (from memory and by the R package spc, but for weight 0.1).
#[test]
fn run_lengths_of_the_moving_average() {
    for (weight, limit, shifted) in [
        (0.40, 3.054, 14.3),
        (0.25, 2.998, 11.1),
        (0.20, 2.962, 10.5),
        (0.10, 2.814, 10.3),
        (0.05, 2.615, 11.4),
    ] {
        close(ewma_run_length(weight, limit, 0.0).unwrap(), 500.0, 5e-3);
        let found = ewma_run_length(weight, limit, 1.0).unwrap();
        assert!((found - shifted).abs() < 0.051, "weight {weight}: {found}, printed {shifted}");
        close(ewma_limit(weight, 500.0).unwrap(), limit, 1e-3);
    }
    // With weight 1 the chart is Shewhart's: 1/(2·Φ(−3)) = 370.3983.
    close(ewma_run_length(1.0, 3.0, 0.0).unwrap(), 370.398_3, 1e-6);
}

/// Newcombe, Statistics in Medicine 17 (1998), table I, method 3, to the printed four decimals.
#[test]
fn wilson_intervals() {
    let cases = json("nist_handbook/worked_examples.json")["wilson_newcombe_1998"]["cases"].clone();
    let cases = cases.as_array().unwrap();
    assert!(cases.len() >= 4);
    for case in cases {
        let (k, n) = (case["k"].as_u64().unwrap(), case["n"].as_u64().unwrap());
        let share = wilson(k, n, 0.95).unwrap();
        for (index, found) in [share.low, share.high].into_iter().enumerate() {
            let printed = case["printed_wilson"][index].as_f64().unwrap();
            assert!((found - printed).abs() < 5.1e-5, "{k}/{n}: {found}, printed {printed}");
            let exact = case["wilson"][index].as_f64().unwrap();
            assert!((found - exact).abs() < 1e-9, "{k}/{n}: {found}, exactly {exact}");
        }
    }
}

/// Operating characteristic of the plan n = 52, c = 3 (NIST/SEMATECH e-Handbook 6.2.3.2), binomial, computed with
/// another library.
#[test]
fn binomial_tails() {
    let example = worked("oc_curve_52_3_6.2.3.2");
    for (p, accepted) in numbers(&example["p"]).into_iter().zip(numbers(&example["recomputed"])) {
        close(1.0 - binomial_tail(4, 52, p), accepted, 1e-11);
    }
}
