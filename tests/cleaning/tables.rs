//! The reference tables, each within the tolerance of its header.

use crate::data::table;
use crate::reference;
use permeated::engine::signal::debounce::{Debounce, Hold};
use permeated::engine::signal::hampel::{Hampel, Kind, Rules};
use permeated::engine::signal::integrate::FlowIntegrator;
use permeated::engine::signal::median::MedianWindow;
use permeated::engine::signal::smooth::{Ewma, Form, OneEuro};
use permeated::engine::signal::totaliser::{Decision, Totaliser};
use permeated::engine::time::{Mono, Span};
use std::collections::BTreeMap;

type TableRow = BTreeMap<String, String>;

fn number(row: &TableRow, name: &str) -> f64 {
    row[name].parse().unwrap_or_else(|_| panic!("{name}: {:?} is a number", row[name]))
}

fn at(row: &TableRow) -> Mono {
    Mono::from_millis((number(row, "t_s") * 1000.0).round() as i64)
}

fn assert_near(got: f64, want: f64, tolerance: f64, what: &str) {
    assert!((got - want).abs() <= tolerance, "{what}: {got} but the table says {want}");
}

/// `qartod.csv`: exact flags of ioos_qc 3.0.0 with the parameters of its header.
#[test]
fn qartod() {
    let rows = table("qartod.csv");
    let t: Vec<i64> = rows.iter().map(|row| at(row).millis()).collect();
    let x: Vec<Option<f64>> = rows.iter().map(|row| row["x"].parse().ok()).collect();
    let got = [
        reference::gross_range(&x, (0.0, 1200.0), Some((50.0, 800.0))).expect("spans are nested"),
        reference::spike(&x, Some(10.0), Some(30.0), reference::Method::Average),
        reference::rate_of_change(&t, &x, Some(5.0), None),
        reference::flat_line(&t, &x, 30.0, 60.0, 0.5),
    ];
    for (index, row) in rows.iter().enumerate() {
        let flags = got.each_ref().map(|test| test[index]);
        let want = ["gross", "spike", "roc", "flat"].map(|name| number(row, name) as u8);
        assert_eq!(flags, want, "row {index}");
        // The table's own order of combination is 4, 3, 9, 1, 2.
        let worst = [4, 3, 9, 1, 2].into_iter().find(|flag| flags.contains(flag));
        assert_eq!(worst, Some(number(row, "worst") as u8), "row {index}");
    }
    assert_eq!(rows.len(), 22);
}

/// `hampel_median.csv`: causal columns (scipy medians), tolerance 1e-6. The centred columns look
/// ahead and are no part of a live daemon. The table's filter has no floor and accepts no level.
#[test]
fn hampel_and_median() {
    let rows = table("hampel_median.csv");
    let mut filter = None;
    for row in &rows {
        let count_max = 2 * number(row, "k") as usize + 1;
        if row["i"] == "0" {
            let rules = Rules {
                count_max,
                count_min: 1,
                time: Span::from_secs(1_000_000),
                deviations: number(row, "nsigma"),
                floor: 0.0,
                shift_after: 0,
            };
            filter = Some((Hampel::new(rules), MedianWindow::new(count_max)));
        }
        let (hampel, median) = filter.as_mut().expect("traces start at 0");
        let now = Mono::from_millis(number(row, "i") as i64 * 1000);
        let cleaned = hampel.push(now, number(row, "x")).expect("one reading is enough");
        assert_near(cleaned.median, number(row, "median_causal"), 1e-6, "median");
        assert_near(cleaned.sigma, number(row, "sigma_causal"), 1e-6, "sigma");
        assert_eq!(cleaned.kind == Kind::Replaced, row["outlier_causal"] == "1", "{row:?}");
        assert_near(cleaned.value, number(row, "filtered_causal"), 1e-6, "filtered");
        if let Some(value) = median.push(number(row, "x")) {
            assert_near(value, number(row, "median_causal"), 1e-6, "guard median");
        }
    }
    assert_eq!(rows.len(), 52);
}

/// `ewma_one_euro.csv`: tau 5 s; one-euro 0.05 Hz, 0.02, 1 Hz (CHI 2012). Tolerance 1e-6.
#[test]
fn ewma_and_one_euro() {
    let rows = table("ewma_one_euro.csv");
    let forms = [
        (Form::NextPoint, "ewma_next"),
        (Form::PreviousPoint, "ewma_previous"),
        (Form::Linear, "ewma_linear"),
    ];
    for (form, column) in forms {
        let mut ewma = Ewma::with_form(Span::from_secs(5), form);
        for row in &rows {
            let y = ewma.push(at(row), number(row, "x")).expect("a reading");
            // Seven digits are printed: half of the last one on top of the tolerance.
            assert_near(y, number(row, column), 1e-6 + 5e-6, column);
        }
    }
    let mut euro = OneEuro::new(0.05, 0.02);
    for row in &rows {
        let y = euro.push(at(row), number(row, "x")).expect("a reading");
        assert_near(y, number(row, "one_euro"), 1e-6 + 5e-6, "one_euro");
    }
    assert_eq!(rows.len(), 18);
}

/// `debounce.csv`: three samples and 3 s, the same both ways.
#[test]
fn debounce() {
    let rows = table("debounce.csv");
    let hold = Hold::new(3, Span::from_secs(3));
    let mut state = Debounce::new(hold, hold, rows[0]["raw"] == "1");
    for row in &rows {
        let debounced = state.push(at(row), row["raw"] == "1");
        assert_eq!(debounced, row["debounced"] == "1", "{row:?}");
    }
    assert_eq!(rows.len(), 17);
}

/// `totaliser.csv`: 16 bit, 1380 pulses/L, ceiling 6 L/min; own rule of the reference sheet.
#[test]
fn totaliser() {
    let rows = table("totaliser.csv");
    let mut total = Totaliser::pulses(1.0 / 1380.0, 65_536.0, 6.0);
    for row in &rows {
        let step = total.push_count(at(row), number(row, "counter"), None, false);
        let decision = match step.decision {
            Decision::First => "first",
            Decision::Forward => "forward",
            Decision::Wrap => "wrap",
            Decision::Reset => "reset",
            Decision::Ambiguous => "ambiguous",
            Decision::Rejected => "rejected",
            other => panic!("{other:?} is not in the table"),
        };
        assert_eq!(decision, row["decision"], "{row:?}");
        assert_eq!(step.counts, number(row, "delta_pulses") as u64, "{row:?}");
        assert_eq!(total.total(), number(row, "total_pulses") as u64, "{row:?}");
        assert_near(total.total_litres(), number(row, "total_l"), 1e-6, "litres");
    }
    assert_eq!(rows.len(), 16);
}

/// `integration_gaps.csv`: trapezoid, hold and missing seconds, tolerance 1e-6.
#[test]
fn integration() {
    let rows = table("integration_gaps.csv");
    let mut trace = String::new();
    let mut flow = FlowIntegrator::new(Span::ZERO, 0.0);
    for row in &rows {
        if row["trace"] != trace {
            trace.clone_from(&row["trace"]);
            flow = FlowIntegrator::new(Span::from_secs_f64(number(row, "gap_s")), 6.0);
        }
        flow.push(at(row), number(row, "q_l_min")).expect("a reading");
        assert_near(flow.litres(), number(row, "trapezoid_l"), 1e-6, "trapezoid");
        assert_near(flow.litres_held(), number(row, "hold_l"), 1e-6, "hold");
        assert_near(flow.missing().secs(), number(row, "missing_s"), 1e-6, "missing");
    }
    assert_eq!(rows.len(), 19);
}
