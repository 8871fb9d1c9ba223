//! The plain implementation at its edges, on made-up input: each case is one statement about what
//! the reference library does. With the open data the library's own 54 vectors follow.

use crate::data;
use crate::reference::{
    Method, Spread, attenuated, combine, flat_line, gross_range, rate_of_change, spike,
};

type GrossCase = (&'static str, &'static [f64], (f64, f64), Option<(f64, f64)>, &'static [u8]);
type RateCase = (&'static str, &'static [f64], &'static [f64], f64, f64, &'static [u8]);

const GAP: f64 = f64::NAN;
const INF: f64 = f64::INFINITY;

fn series(x: &[f64]) -> Vec<Option<f64>> {
    x.iter().map(|x| (!x.is_nan()).then_some(*x)).collect()
}

fn ms(secs: &[f64]) -> Vec<i64> {
    secs.iter().map(|secs| (secs * 1000.0).round() as i64).collect()
}

fn each_second(n: usize) -> Vec<i64> {
    (0..n as i64).map(|i| i * 1000).collect()
}

#[test]
fn gross_range_edges() {
    let judge = |x: &[f64], fail, suspect| gross_range(&series(x), fail, suspect);
    let cases: [GrossCase; 4] = [
        (
            "limits belong to the good side",
            &[-2.0, 10.0, 30.0, 40.0, -2.5, 40.1, 9.9, 30.1],
            (-2.0, 40.0),
            Some((10.0, 30.0)),
            &[3, 1, 1, 3, 4, 4, 3, 3],
        ),
        ("limits given backwards are sorted", &[7.0, 3.0, 8.0], (7.0, 3.0), None, &[1, 1, 4]),
        ("missing is 9, infinity 4", &[GAP, INF, -INF], (0.0, 1.0), None, &[9, 4, 4]),
        ("a sentinel is just a number", &[1.0, -9999.0], (0.0, 9.0), None, &[1, 4]),
    ];
    for (name, x, fail, suspect, want) in cases {
        assert_eq!(judge(x, fail, suspect).expect(name), want, "{name}");
    }
    assert!(judge(&[1.0], (0.0, 5.0), Some((0.0, 6.0))).is_err(), "suspect wider than fail");
}

#[test]
fn spike_edges() {
    use Method::{Average, Differential};
    let cases: [(&str, &[f64], Method, &[u8]); 14] = [
        (
            "lone spike, its neighbours too",
            &[1., 1., 1., 21., 1., 1., 1.],
            Average,
            &[2, 1, 3, 4, 3, 1, 2],
        ),
        (
            "lone spike, differential",
            &[1., 1., 1., 21., 1., 1., 1.],
            Differential,
            &[2, 1, 1, 4, 1, 1, 2],
        ),
        ("step, both sides at half", &[5., 5., 25., 25., 25.], Average, &[2, 3, 3, 1, 2]),
        ("step, differential", &[5., 5., 25., 25., 25.], Differential, &[2, 1, 1, 1, 2]),
        ("two-sample spike at half", &[0., 0., 24., 24., 0., 0.], Average, &[2, 3, 3, 3, 3, 2]),
        (
            "two-sample spike, differential",
            &[0., 0., 24., 24., 0., 0.],
            Differential,
            &[2, 1, 1, 1, 1, 2],
        ),
        ("straight ramp", &[0., 30., 60., 90.], Average, &[2, 1, 1, 2]),
        ("exactly on the threshold", &[0., 0., 8., 0., 0.], Average, &[2, 1, 1, 1, 2]),
        (
            "neighbour of a missing one",
            &[0., 0., GAP, 0., 20., 0., 0.],
            Average,
            &[2, 2, 9, 2, 4, 3, 2],
        ),
        ("a spike beside a gap goes unseen", &[0., GAP, 20., 0., 0.], Average, &[2, 9, 2, 3, 2]),
        ("ends are not evaluated", &[70., 0., 0., 70.], Average, &[2, 4, 4, 2]),
        ("two samples", &[0., 70.], Average, &[2, 2]),
        ("one sample", &[0.], Average, &[2]),
        ("sentinel as a number", &[6., 6., -9999., 6., 6.], Average, &[2, 4, 4, 4, 2]),
    ];
    for (name, x, method, want) in cases {
        assert_eq!(spike(&series(x), Some(8.0), Some(16.0), method), want, "{name}");
    }
    let zero = spike(&series(&[0., 0., 9., 0., 0.]), Some(0.0), None, Average);
    assert_eq!(zero, [2, 1, 1, 1, 2], "a threshold of 0 is none");
}

#[test]
fn rate_edges() {
    let cases: [RateCase; 10] = [
        (
            "first good, only the sample after a step",
            &[0., 1., 2., 3.],
            &[2., 2., 14., 14.],
            6.,
            10.,
            &[1, 1, 4, 1],
        ),
        (
            "a spike is marked up and down",
            &[0., 1., 2., 3.],
            &[2., 14., 2., 2.],
            6.,
            10.,
            &[1, 4, 4, 1],
        ),
        ("exactly on the threshold", &[0., 1., 2.], &[0., 6., 12.1], 6., 10., &[1, 1, 3]),
        ("true interval", &[0., 20., 21.], &[0., 20., 40.], 6., 10., &[1, 1, 4]),
        (
            "after a missing one nothing is compared",
            &[0., 1., 2.],
            &[0., GAP, 90.],
            6.,
            10.,
            &[1, 9, 1],
        ),
        ("equal times compare the difference", &[5., 5., 6.], &[0., 7., 7.], 6., 10., &[1, 3, 1]),
        ("equal times, equal values", &[5., 5.], &[3., 3.], 6., 10., &[1, 1]),
        (
            "a clock that steps back is divided by",
            &[90., 91., 41.],
            &[0., 0., 40.],
            6.,
            10.,
            &[1, 1, 1],
        ),
        (
            "below a second the difference is compared",
            &[0., 0.4, 0.8],
            &[0., 5., 12.],
            6.,
            10.,
            &[1, 1, 3],
        ),
        ("1.9 s count as one", &[0., 1.9], &[0., 7.], 6., 10., &[1, 3]),
    ];
    for (name, t, x, suspect, fail, want) in cases {
        let flags = rate_of_change(&ms(t), &series(x), Some(suspect), Some(fail));
        assert_eq!(flags, want, "{name}");
    }
    let slow = rate_of_change(&ms(&[0., 0.5]), &series(&[0., 0.2]), Some(6.0), None);
    assert_eq!(slow, [1, 1], "small steps below a second");
}

#[test]
fn flat_line_edges() {
    let flat = [4.0; 8];
    let zigzag = [4.0, 4.5, 4.0, 4.5, 4.0, 4.5, 4.0, 4.5];
    let ramp: Vec<f64> = (0..8).map(|i| 4.0 + 0.01 * f64::from(i)).collect();
    let regular: [(&str, &[f64], f64, &[u8]); 7] = [
        ("good until a window is full", &flat, 0.2, &[1, 1, 3, 3, 4, 4, 4, 4]),
        ("tolerance 0 never flags", &flat, 0.0, &[1; 8]),
        ("range on the tolerance is good", &zigzag, 0.5, &[1; 8]),
        ("range below the tolerance is flat", &zigzag, 0.6, &[1, 1, 3, 3, 4, 4, 4, 4]),
        ("a slow ramp is flat", &ramp, 0.2, &[1, 1, 3, 3, 4, 4, 4, 4]),
        (
            "one change ends it for a window",
            &[4., 4., 4., 9., 9., 9., 9., 9.],
            0.2,
            &[1, 1, 3, 1, 1, 3, 3, 4],
        ),
        ("missing does not end the run", &[4., 4., GAP, 4., 4., 4.], 0.2, &[1, 1, 9, 3, 4, 4]),
    ];
    for (name, x, tolerance, want) in regular {
        let flags = flat_line(&each_second(x.len()), &series(x), 2.0, 4.0, tolerance);
        assert_eq!(flags, want, "{name}");
    }
    let all_missing = flat_line(&each_second(4), &[None; 4], 2.0, 4.0, 0.2);
    assert_eq!(all_missing, [9; 4]);
    let at = |secs: &[f64], x: &[f64], suspect, fail| {
        flat_line(&ms(secs), &series(x), suspect, fail, 0.2)
    };
    let gap = at(&[0., 1., 2., 3., 900., 901., 902.], &[4.0; 7], 2.0, 4.0);
    assert_eq!(gap, [1, 1, 3, 3, 4, 4, 4], "counted, not timed");
    let across = at(&[0., 1., 900., 901., 902.], &[4.0; 5], 3.0, 4.0);
    assert_eq!(across, [1, 1, 1, 3, 4], "an outage joins both sides");
    let cut = at(&[0., 10., 20., 30., 40., 50.], &[4.0; 6], 25.0, 40.0);
    assert_eq!(cut, [1, 1, 3, 3, 4, 4], "25 s of 10 s samples are two intervals");
    let short = at(&[0., 10., 20.], &[1., 9., 2.], 5.0, 50.0);
    assert_eq!(short, [3, 3, 3], "a threshold below one interval flags everything");
    assert_eq!(at(&[0., 1.], &[4.0; 2], 1.0, 1.0), [1, 1], "fewer than three samples");
}

#[test]
fn attenuated_edges() {
    let x = series(&[3., 9., 3., 9., 6., 6., 6., 6., 6.]);
    let range = attenuated(&each_second(9), &x, 5.0, 2.0, 4.0, 3, Spread::Range);
    assert_eq!(range, [2, 2, 1, 1, 1, 1, 3, 4, 4], "open at the old end");
    let x = series(&[0., 4., 0., 4., 0., 4.]);
    let std = attenuated(&each_second(6), &x, 2.0, 1.0, 4.0, 4, Spread::Std);
    assert_eq!(std, [2, 2, 2, 1, 1, 1], "population form: 2.0 is not below 2.0");
    let x = series(&[3., 9., GAP, 9., 6., 6., 6., 6.]);
    let gap = attenuated(&each_second(8), &x, 5.0, 2.0, 4.0, 3, Spread::Range);
    assert_eq!(gap, [2, 2, 9, 2, 2, 2, 3, 4], "one missing blinds the whole window");
}

#[test]
fn combined_flag_is_the_first_of_4_3_1_2_9() {
    for (flags, want) in
        [([1, 2], 1), ([1, 9], 1), ([2, 9], 2), ([1, 3], 3), ([3, 4], 4), ([4, 9], 4)]
    {
        assert_eq!(combine(&flags), want);
    }
    assert_eq!(combine(&[2, 2]), 2);
    assert_eq!(combine(&[9, 9]), 9);
}

/// The reference library's answers to 54 small inputs.
#[test]
fn vectors_of_the_reference_library() {
    let Some(folder) = data::folder("vectors") else { return };
    let vectors = data::json(&folder, "qc_reference/vectors.json");
    let vectors = vectors.as_array().expect("a list");
    for vector in vectors {
        let name = vector["name"].as_str().expect("a name");
        let param = &vector["params"];
        let number = |key: &str| param[key].as_f64();
        let span = |key: &str| {
            let pair = param[key].as_array()?;
            Some((pair[0].as_f64()?, pair[1].as_f64()?))
        };
        let input: Vec<Option<f64>> = vector["input"]
            .as_array()
            .expect("a list")
            .iter()
            .map(|x| if x == "inf" { Some(INF) } else { x.as_f64() })
            .collect();
        let t: Vec<i64> = vector["time_s"]
            .as_array()
            .map(|t| ms(&t.iter().filter_map(serde_json::Value::as_f64).collect::<Vec<_>>()))
            .unwrap_or_default();
        let must = |key: &str| number(key).expect("a parameter");
        let got = match vector["test"].as_str().expect("a test") {
            "gross_range_test" => {
                gross_range(&input, span("fail_span").expect("a span"), span("suspect_span"))
            }
            "spike_test" => {
                let differential = param["method"] == "differential";
                let method = if differential { Method::Differential } else { Method::Average };
                Ok(spike(&input, number("suspect_threshold"), number("fail_threshold"), method))
            }
            "rate_of_change_test" => {
                Ok(rate_of_change(&t, &input, number("threshold"), number("fail_threshold")))
            }
            "flat_line_test" => Ok(flat_line(
                &t,
                &input,
                must("suspect_threshold"),
                must("fail_threshold"),
                must("tolerance"),
            )),
            "attenuated_signal_test" => Ok(attenuated(
                &t,
                &input,
                must("suspect_threshold"),
                must("fail_threshold"),
                must("test_period"),
                must("min_obs") as usize,
                if param["check_type"] == "std" { Spread::Std } else { Spread::Range },
            )),
            "qartod_compare" => {
                let flags: Vec<u8> = input.iter().flatten().map(|&flag| flag as u8).collect();
                Ok(vec![combine(&flags)])
            }
            other => panic!("unknown test {other}"),
        };
        match vector["flags"].as_array() {
            Some(want) => {
                let want: Vec<u8> =
                    want.iter().map(|flag| flag.as_u64().expect("a flag") as u8).collect();
                assert_eq!(got.as_deref(), Ok(want.as_slice()), "{name}");
            }
            None => assert!(got.is_err(), "{name}: the library refuses"),
        }
    }
    println!("vectors: {} of {} equal", vectors.len(), vectors.len());
    assert_eq!(vectors.len(), 54);
}
