//! A linear Gaussian state-space model with scalar observations: the filter, forwards, and the
//! fixed-interval smoother, backwards.
//!
//! Filter: R. E. Kalman, *A new approach to linear filtering and prediction problems*, J. Basic
//! Eng. 82 (1960) 35–45; covariance in Joseph's form (R. S. Bucy, P. D. Joseph, *Filtering for
//! stochastic processes*, 1968), which stays positive with rounding. Smoother: the adjoint form of
//! A. E. Bryson and M. Frazier (1963), as given by G. J. Bierman, *Fixed interval smoothing with
//! discrete measurements*, Int. J. Control 18 (1973) 65–75. It inverts nothing, so states that are
//! reset or known exactly do no harm.

#![allow(
    clippy::needless_range_loop,
    reason = "indices here are nodes or states shared by several arrays"
)]

/// A vector of `N` states.
pub type Vector<const N: usize> = [f64; N];
/// A matrix of `N` by `N`, by rows.
pub type Matrix<const N: usize> = [[f64; N]; N];

/// What is known of the states at one moment.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct State<const N: usize> {
    /// Expected values.
    pub mean: Vector<N>,
    /// Covariance.
    pub covariance: Matrix<N>,
}

/// One scalar observation as the filter took it: what the smoother needs to take it back.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Update<const N: usize> {
    /// How the states enter the observation.
    pub row: Vector<N>,
    /// Observed less expected.
    pub residual: f64,
    /// Variance of the residual.
    pub variance: f64,
    gain: Vector<N>,
}

impl<const N: usize> State<N> {
    /// Carries the state over a step: `mean = transition * mean + input`, and the covariance with
    /// the noise that the step adds.
    pub fn predict(&mut self, transition: &Transition<N>, input: &Vector<N>, noise: &Matrix<N>) {
        let (mean, before) = (self.mean, self.covariance);
        for row in transition.rows() {
            self.mean[row.to()] = row.sum(|k| mean[k]);
            for j in 0..N {
                self.covariance[row.to()][j] = row.sum(|k| before[k][j]);
            }
        }
        let half = self.covariance;
        for row in transition.rows() {
            for i in 0..N {
                self.covariance[i][row.to()] = row.sum(|k| half[i][k]);
            }
        }
        for row in transition.rows() {
            for i in 0..N {
                self.covariance[row.to()][i] = self.covariance[i][row.to()];
            }
        }
        for i in 0..N {
            self.mean[i] += input[i];
            for j in 0..N {
                self.covariance[i][j] += noise[i][j];
            }
        }
    }

    /// What an observation through `row` would tell: its variance with `noise` of its own.
    pub fn variance_through(&self, row: &Vector<N>, noise: f64) -> f64 {
        let mut sum = noise;
        for i in 0..N {
            sum += row[i] * dot(&self.covariance[i], row);
        }
        sum
    }

    /// Takes in one observation whose difference from its expected value is `residual`, with
    /// `noise` the variance of the observation itself.
    pub fn update(&mut self, row: &Vector<N>, residual: f64, noise: f64) -> Update<N> {
        let mut through = [0.0; N];
        for i in 0..N {
            through[i] = dot(&self.covariance[i], row);
        }
        let variance = dot(&through, row) + noise;
        let mut gain = through;
        for (i, g) in gain.iter_mut().enumerate() {
            *g /= variance;
            self.mean[i] += *g * residual;
        }
        for i in 0..N {
            for j in i..N {
                let cross = gain[i] * through[j] + gain[j] * through[i];
                let value = self.covariance[i][j] - cross + gain[i] * gain[j] * variance;
                self.covariance[i][j] = value;
                self.covariance[j][i] = value;
            }
        }
        Update {
            row: *row,
            residual,
            variance,
            gain,
        }
    }

    /// The smoothed state where `adjoint` holds all that later observations tell.
    pub fn smoothed(&self, adjoint: &Adjoint<N>) -> Self {
        let mut state = *self;
        for i in 0..N {
            state.mean[i] -= dot(&self.covariance[i], &adjoint.vector);
            for j in i..N {
                let mut less = 0.0;
                for k in 0..N {
                    less += self.covariance[i][k] * dot(&adjoint.matrix[k], &self.covariance[j]);
                }
                state.covariance[i][j] -= less;
                state.covariance[j][i] = state.covariance[i][j];
            }
        }
        state
    }

    /// Only the smoothed mean and variance of one state: a fraction of the work.
    pub fn smoothed_one(&self, adjoint: &Adjoint<N>, i: usize) -> (f64, f64) {
        let row = &self.covariance[i];
        let mean = self.mean[i] - dot(row, &adjoint.vector);
        let mut less = 0.0;
        for k in 0..N {
            less += row[k] * dot(&adjoint.matrix[k], row);
        }
        (mean, (row[i] - less).max(0.0))
    }
}

/// What the observations after a moment say about it; all zero at the end of the record.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Adjoint<const N: usize> {
    /// Bierman's lambda: gradient of the later observations' log-likelihood, negated.
    pub vector: Vector<N>,
    /// Bierman's Lambda: its covariance.
    pub matrix: Matrix<N>,
}

impl<const N: usize> Adjoint<N> {
    /// Nothing comes after.
    pub fn nothing() -> Self {
        Self {
            vector: [0.0; N],
            matrix: [[0.0; N]; N],
        }
    }

    /// Goes back over an update.
    pub fn before_update(&mut self, update: &Update<N>) {
        let pull = dot(&update.gain, &self.vector) + update.residual / update.variance;
        let mut through = [0.0; N];
        for i in 0..N {
            through[i] = dot(&self.matrix[i], &update.gain);
        }
        let both = dot(&through, &update.gain) + 1.0 / update.variance;
        for i in 0..N {
            self.vector[i] -= update.row[i] * pull;
            for j in i..N {
                let cross = through[i] * update.row[j] + update.row[i] * through[j];
                self.matrix[i][j] += update.row[i] * update.row[j] * both - cross;
                self.matrix[j][i] = self.matrix[i][j];
            }
        }
    }

    /// Goes back over a prediction.
    pub fn before_predict(&mut self, transition: &Transition<N>) {
        let (vector, before) = (self.vector, self.matrix);
        for row in transition.rows() {
            self.vector[row.to()] = 0.0;
            self.matrix[row.to()] = [0.0; N];
        }
        for row in transition.rows() {
            for (k, f) in row.terms() {
                self.vector[k] += f * vector[row.to()];
                for j in 0..N {
                    self.matrix[k][j] += f * before[row.to()][j];
                }
            }
        }
        let half = self.matrix;
        for row in transition.rows() {
            for i in 0..N {
                self.matrix[i][row.to()] = 0.0;
            }
        }
        for row in transition.rows() {
            for (k, f) in row.terms() {
                for i in 0..N {
                    self.matrix[i][k] += f * half[i][row.to()];
                }
            }
        }
    }
}

/// How the states of one moment lead to those of the next. Most states stay as they are: only the
/// others are written down, which saves most of the work of a step.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Transition<const N: usize> {
    rows: [Row; MOST_ROWS],
    len: u8,
}

/// One state that changes: the sum of a few states, each times a factor. A factor of zero is none.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
struct Row {
    factors: [f64; MOST_TERMS],
    of: [u8; MOST_TERMS],
    to: u8,
}

/// So many states change in a step at most, each made of so many others at most.
pub const MOST_ROWS: usize = 3;
/// See [`MOST_ROWS`].
pub const MOST_TERMS: usize = 2;

impl Row {
    fn to(&self) -> usize {
        usize::from(self.to)
    }

    fn terms(&self) -> impl Iterator<Item = (usize, f64)> {
        self.of.iter().map(|&k| usize::from(k)).zip(self.factors)
    }

    fn sum(&self, value: impl Fn(usize) -> f64) -> f64 {
        self.terms().map(|(k, f)| f * value(k)).sum()
    }
}

impl<const N: usize> Transition<N> {
    /// All states stay as they are.
    pub fn stay() -> Self {
        Self {
            rows: [Row::default(); MOST_ROWS],
            len: 0,
        }
    }

    /// State `to` becomes the sum of the states in `terms`, each times its factor; of none: zero.
    ///
    /// # Panics
    ///
    /// With more than [`MOST_TERMS`] terms, or for more than [`MOST_ROWS`] states.
    pub fn set(&mut self, to: usize, terms: &[(usize, f64)]) {
        let mut row = Row {
            to: to as u8,
            ..Row::default()
        };
        for (i, &(k, factor)) in terms.iter().enumerate() {
            (row.of[i], row.factors[i]) = (k as u8, factor);
        }
        let len = usize::from(self.len);
        match self.rows[..len].iter_mut().find(|old| old.to == row.to) {
            Some(old) => *old = row,
            None => {
                self.rows[len] = row;
                self.len += 1;
            }
        }
    }

    fn rows(&self) -> &[Row] {
        &self.rows[..usize::from(self.len)]
    }
}

fn dot<const N: usize>(a: &Vector<N>, b: &Vector<N>) -> f64 {
    let mut sum = 0.0;
    for i in 0..N {
        sum += a[i] * b[i];
    }
    sum
}
