//! Least squares for a handful of parameters.
//!
//! Purpose: the two searches that every fit here is made of: a golden section over one variable,
//! and Levenberg and Marquardt's damped Gauss-Newton steps for at most six parameters (Marquardt,
//! J. SIAM 11 (1963) 431). Invariants: iterations are bounded; a step is taken only when it lowers
//! the sum of squares; a singular matrix is `None`, never a huge number.

#![allow(clippy::needless_range_loop, reason = "matrix elimination reads best by its indices")]

/// Damped steps that end any search worth making.
pub const STEPS_MAX: usize = 60;

/// What a search ended with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Minimum<const P: usize> {
    /// The parameters.
    pub parameters: [f64; P],
    /// Sum of squared residuals.
    pub rss: f64,
    /// Inverse of JᵀJ; times the variance of the residuals it is the covariance of the parameters.
    pub inverse: [[f64; P]; P],
}

impl<const P: usize> Minimum<P> {
    /// Standard error of one parameter for residuals of this variance.
    pub fn standard_error(&self, index: usize, variance: f64) -> f64 {
        (self.inverse[index][index] * variance).max(0.0).sqrt()
    }
}

/// Solves a small linear system by elimination with partial pivoting. `None` when it is singular.
pub fn solve<const P: usize>(mut a: [[f64; P]; P], mut b: [f64; P]) -> Option<[f64; P]> {
    for column in 0..P {
        let pivot =
            (column..P).max_by(|&i, &j| a[i][column].abs().total_cmp(&a[j][column].abs()))?;
        if a[pivot][column].abs() < 1e-290 || !a[pivot][column].is_finite() {
            return None;
        }
        a.swap(column, pivot);
        b.swap(column, pivot);
        for row in column + 1..P {
            let factor = a[row][column] / a[column][column];
            for k in column..P {
                a[row][k] -= factor * a[column][k];
            }
            b[row] -= factor * b[column];
        }
    }
    let mut x = [0.0; P];
    for row in (0..P).rev() {
        let known: f64 = (row + 1..P).map(|k| a[row][k] * x[k]).sum();
        x[row] = (b[row] - known) / a[row][row];
    }
    x.iter().all(|value| value.is_finite()).then_some(x)
}

/// Inverts a small matrix. `None` when it is singular.
pub fn invert<const P: usize>(a: [[f64; P]; P]) -> Option<[[f64; P]; P]> {
    let mut inverse = [[0.0; P]; P];
    for column in 0..P {
        let mut unit = [0.0; P];
        unit[column] = 1.0;
        let x = solve(a, unit)?;
        for row in 0..P {
            inverse[row][column] = x[row];
        }
    }
    Some(inverse)
}

/// Levenberg and Marquardt's search from `start` over `points` residuals, in at most `steps` damped
/// steps ([`STEPS_MAX`] for the minimum itself, a few where the data change before the next search).
///
/// `row` gives, for parameters and a point, *model minus data* and the model's derivatives by each
/// parameter; `None` outside the allowed region, where no step goes. `None` when `start` itself is
/// outside or the matrix at the end is singular.
pub fn levenberg<const P: usize>(
    start: [f64; P],
    points: usize,
    steps: usize,
    row: impl Fn(&[f64; P], usize) -> Option<(f64, [f64; P])>,
) -> Option<Minimum<P>> {
    let normal = |p: &[f64; P]| -> Option<(f64, [[f64; P]; P], [f64; P])> {
        let mut rss = 0.0;
        let mut a = [[0.0; P]; P];
        let mut g = [0.0; P];
        for index in 0..points {
            let (residual, slope) = row(p, index)?;
            rss += residual * residual;
            for i in 0..P {
                g[i] += slope[i] * residual;
                for j in 0..=i {
                    a[i][j] += slope[i] * slope[j];
                }
            }
        }
        for i in 0..P {
            for j in i + 1..P {
                a[i][j] = a[j][i];
            }
        }
        rss.is_finite().then_some((rss, a, g))
    };
    let mut at = start;
    let (mut rss, mut a, mut g) = normal(&at)?;
    let mut damping = 1e-3;
    for _ in 0..steps.min(STEPS_MAX) {
        let mut damped = a;
        for (i, row) in damped.iter_mut().enumerate() {
            // The small addition keeps a parameter without influence from making the step infinite.
            row[i] += damping * (row[i] + 1e-30);
        }
        let Some(step) = solve(damped, g) else {
            damping *= 10.0;
            if damping > 1e12 {
                break;
            }
            continue;
        };
        let mut next = at;
        for i in 0..P {
            next[i] -= step[i];
        }
        let size = (0..P).map(|i| (step[i] / (at[i].abs() + 1e-9)).abs()).fold(0.0, f64::max);
        match normal(&next) {
            Some((lower, next_a, next_g)) if lower <= rss => {
                let gain = rss - lower;
                (at, rss, a, g) = (next, lower, next_a, next_g);
                damping = (damping * 0.2).max(1e-15);
                if gain <= 1e-12 * (rss + 1e-300) && size < 1e-7 {
                    break;
                }
            }
            _ => {
                damping *= 8.0;
                if damping > 1e12 || size < 1e-10 {
                    break;
                }
            }
        }
    }
    Some(Minimum { parameters: at, rss, inverse: invert(a)? })
}

/// Golden section: where `f` is least between `low` and `high`, to `tolerance`. With several minima
/// it finds one of them.
pub fn golden(low: f64, high: f64, tolerance: f64, f: impl Fn(f64) -> f64) -> f64 {
    const SHARE: f64 = 0.618_033_988_749_894_9;
    let (mut low, mut high) = (low, high);
    let mut left = high - SHARE * (high - low);
    let mut right = low + SHARE * (high - low);
    let (mut at_left, mut at_right) = (f(left), f(right));
    for _ in 0..200 {
        if high - low <= tolerance {
            break;
        }
        if at_left <= at_right {
            high = right;
            (right, at_right) = (left, at_left);
            left = high - SHARE * (high - low);
            at_left = f(left);
        } else {
            low = left;
            (left, at_left) = (right, at_right);
            right = low + SHARE * (high - low);
            at_right = f(right);
        }
    }
    0.5 * (low + high)
}

/// Evaluations after which a crossing is given as it is.
const CROSSING_MAX: usize = 60;

/// Where a rising or falling `f` passes zero between `low` and `high`; `None` when both ends have
/// the same sign.
pub fn bisect(low: f64, high: f64, f: impl Fn(f64) -> f64) -> Option<f64> {
    let (mut low, mut high) = (low, high);
    let rising = f(high) > 0.0;
    if (f(low) > 0.0) == rising {
        return None;
    }
    for _ in 0..100 {
        let middle = 0.5 * (low + high);
        if (f(middle) > 0.0) == rising {
            high = middle;
        } else {
            low = middle;
        }
    }
    Some(0.5 * (low + high))
}

/// Where `f` passes zero between `low` and `high`, to within `tolerance`, in a few evaluations: Chandrupatla,
/// "A new hybrid quadratic/bisection algorithm for finding the zero of a nonlinear function without using
/// derivatives", Advances in Engineering Software 28 (1997). `None` when both ends have the same sign.
pub fn crossing(low: f64, high: f64, tolerance: f64, mut f: impl FnMut(f64) -> f64) -> Option<f64> {
    // `b` and `a` hold the zero between them, `b` the later; `c` is the one before.
    let (mut a, mut b) = (low, high);
    let (mut at_a, mut at_b) = (f(a), f(b));
    if (at_a > 0.0) == (at_b > 0.0) {
        return None;
    }
    let mut share = 0.5;
    for _ in 0..CROSSING_MAX {
        let next = a + share * (b - a);
        let at_next = f(next);
        let (c, at_c);
        if (at_next > 0.0) == (at_a > 0.0) {
            (c, at_c) = (a, at_a);
        } else {
            (c, at_c) = (b, at_b);
            (b, at_b) = (a, at_a);
        }
        (a, at_a) = (next, at_next);
        let least = tolerance / (2.0 * (b - c).abs());
        if at_a == 0.0 || (b - a).abs() <= tolerance {
            break;
        }
        let xi = (a - b) / (c - b);
        let phi = (at_a - at_b) / (at_c - at_b);
        let inverse = phi * phi < xi && (1.0 - phi).powi(2) < 1.0 - xi;
        share = if inverse {
            at_a / (at_b - at_a) * at_c / (at_b - at_c)
                + (c - a) / (b - a) * at_a / (at_c - at_a) * at_b / (at_c - at_b)
        } else {
            0.5
        };
        share = share.clamp(least.min(0.5), (1.0 - least).max(0.5));
    }
    Some(if at_a.abs() < at_b.abs() { a } else { b })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sigmoids of the widths that resin has, a step, a line and a high power: within the tolerance of
    /// bisection, and in fewer evaluations than its 22.
    #[test]
    fn a_crossing_is_where_bisection_finds_it() {
        type Curve = (&'static str, f64, fn(f64) -> f64);
        let curves: [Curve; 5] = [
            ("sigmoid", 1000.0, |x| 1.0 / (1.0 + ((x - 300.0) / 20.0).exp()) - 0.05),
            ("wide sigmoid", 1000.0, |x| 1.0 / (1.0 + ((x - 300.0) / 200.0).exp()) - 0.3),
            ("line", 1000.0, |x| 1.0 - x / 777.0),
            ("power", 2.0, |x| x.powi(9) - 1e-3),
            ("step", 1000.0, |x| if x < 123.0 { 1.0 } else { -1.0 }),
        ];
        for (name, high, curve) in curves {
            let tolerance = 1e-6 * high;
            let mut looks = 0;
            let found = crossing(0.0, high, tolerance, |x| {
                looks += 1;
                curve(x)
            })
            .expect(name);
            let exact = bisect(0.0, high, curve).expect(name);
            assert!((found - exact).abs() <= tolerance, "{name}: {found}, not {exact}");
            assert!(looks <= 25, "{name}: {looks}");
            if name.contains("sigmoid") || name == "line" {
                assert!(looks <= 14, "{name}: {looks}");
            }
        }
        assert_eq!(crossing(0.0, 1.0, 1e-6, |x| x + 1.0), None);
    }

    #[test]
    fn a_straight_line_is_found_in_one_go() {
        let y = [1.0, 3.1, 4.9, 7.0];
        let fit = levenberg([0.0, 0.0], 4, STEPS_MAX, |p, i| {
            let x = i as f64;
            Some((p[0] + p[1] * x - y[i], [1.0, x]))
        })
        .expect("regular");
        assert!((fit.parameters[1] - 1.98).abs() < 1e-9, "{:?}", fit.parameters);
        assert!((fit.inverse[1][1] - 0.2).abs() < 1e-12);
    }

    #[test]
    fn a_singular_matrix_is_refused() {
        assert_eq!(solve([[1.0, 2.0], [2.0, 4.0]], [1.0, 2.0]).map(|x| x.len()), None);
    }

    #[test]
    fn golden_section_finds_the_valley() {
        assert!((golden(0.0, 10.0, 1e-9, |x| (x - 3.2).powi(2)) - 3.2).abs() < 1e-6);
    }
}
