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

crate::numbers! { "estimate.math.kalman":
    /// The integral of a squared time is that time cubed over this.
    pub CUBE_INTEGRAL: f64 = 3.0, "1", [3.0, 3.0], Defined;
}

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

/// How the states of one moment lead to those of the next, one step `x -> F x`. Most states stay as
/// they are, so a step says what it does rather than be a matrix.
pub trait Transition<const N: usize> {
    /// `F x`.
    fn forwards(&self, states: &mut Vector<N>);
    /// `F' x`: what a gradient by the later states is by the earlier ones.
    fn backwards(&self, gradient: &mut Vector<N>);
}

/// What an observation sees of the states.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Innovation<const N: usize> {
    row: Vector<N>,
    cross_covariance: Vector<N>,
    variance: f64,
}

impl<const N: usize> Innovation<N> {
    /// Variance of the observation's difference from its expected value.
    pub fn variance(&self) -> f64 {
        self.variance
    }
}

/// One scalar observation as the filter took it: what the smoother needs to take it back.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Update<const N: usize> {
    row: Vector<N>,
    gain: Vector<N>,
    residual: f64,
    variance: f64,
}

impl<const N: usize> Update<N> {
    /// The update of the first `M` states alone, where the others enter no observation and none of
    /// these.
    pub fn of_first<const M: usize>(&self) -> Update<M> {
        Update {
            row: first(&self.row),
            gain: first(&self.gain),
            residual: self.residual,
            variance: self.variance,
        }
    }
}

/// One state as the filter left it: its mean, and its covariance with itself and the others.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Marginal<const N: usize> {
    mean: f64,
    variance: f64,
    row: Vector<N>,
}

impl<const N: usize> Marginal<N> {
    /// The smoothed mean of the observed combination of states.
    pub fn mean(&self, adjoint: &Adjoint<N>) -> f64 {
        self.mean - dot(&self.row, &adjoint.vector)
    }

    /// The smoothed variance of the observed combination of states.
    pub fn variance(&self, adjoint: &Adjoint<N>) -> f64 {
        let less = dot(&product(&adjoint.matrix, &self.row), &self.row);
        (self.variance - less).max(0.0)
    }
}

impl<const N: usize> State<N> {
    /// Carries the state over a step; what comes in and the noise are the caller's to add.
    pub fn predict(&mut self, step: &impl Transition<N>) {
        step.forwards(&mut self.mean);
        congruence(&mut self.covariance, |row| step.forwards(row));
    }

    /// How an observation through `row` sees the states, with `noise` the variance of its own.
    pub fn innovation(&self, row: &Vector<N>, noise: f64) -> Innovation<N> {
        let cross_covariance = product(&self.covariance, row);
        Innovation {
            row: *row,
            cross_covariance,
            variance: dot(&cross_covariance, row) + noise,
        }
    }

    /// Takes in the observation of a view of this state, `residual` off its expected value.
    pub fn update(&mut self, view: &Innovation<N>, residual: f64) -> Update<N> {
        let mut gain = view.cross_covariance;
        // Joseph's form, for the best gain: P - (g t' + t g') + s g g'.
        let mut half = view.cross_covariance;
        for i in 0..N {
            gain[i] /= view.variance;
            half[i] -= 0.5 * view.variance * gain[i];
            self.mean[i] += gain[i] * residual;
        }
        subtract_symmetric_product(&mut self.covariance, &gain, &half);
        Update {
            row: view.row,
            gain,
            residual,
            variance: view.variance,
        }
    }

    /// State `i` by itself, beside the first `M`, where the others enter no observation and none of
    /// these.
    pub fn marginal<const M: usize>(&self, i: usize) -> Marginal<M> {
        Marginal {
            mean: self.mean[i],
            variance: self.covariance[i][i],
            row: first(&self.covariance[i]),
        }
    }

    /// A linear combination of the states, `of` by `of`, that has this `mean` here, beside the first `M`
    /// states, where the others enter no observation and none of these.
    pub fn combination<const M: usize>(&self, of: &Vector<N>, mean: f64) -> Marginal<M> {
        let row = product(&self.covariance, of);
        Marginal {
            mean,
            variance: dot(&row, of),
            row: first(&row),
        }
    }

    /// The smoothed state where `adjoint` holds all that later observations tell.
    pub fn smoothed(&self, adjoint: &Adjoint<N>) -> Self {
        let mut state = *self;
        for i in 0..N {
            state.mean[i] -= dot(&self.covariance[i], &adjoint.vector);
            let cross_covariance = product(&adjoint.matrix, &self.covariance[i]);
            for j in i..N {
                state.covariance[i][j] -= dot(&cross_covariance, &self.covariance[j]);
                state.covariance[j][i] = state.covariance[i][j];
            }
        }
        state
    }
}

/// What the observations after a moment say about it; all zero at the end of the record.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Adjoint<const N: usize> {
    /// Bierman's lambda: gradient of the later observations' log-likelihood, negated.
    pub vector: Vector<N>,
    /// Bierman's Lambda: its covariance. Only variances need it: where no one asks for them, go back
    /// by the vector alone.
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
        self.vector_before_update(update);
        let mut half = product(&self.matrix, &update.gain);
        let both = dot(&half, &update.gain) + 1.0 / update.variance;
        for i in 0..N {
            half[i] -= 0.5 * both * update.row[i];
        }
        subtract_symmetric_product(&mut self.matrix, &update.row, &half);
    }

    /// Goes back over a prediction.
    pub fn before_predict(&mut self, step: &impl Transition<N>) {
        self.vector_before_predict(step);
        congruence(&mut self.matrix, |row| step.backwards(row));
    }

    /// Goes back over an update where only means are asked for.
    pub fn vector_before_update(&mut self, update: &Update<N>) {
        let pull = dot(&update.gain, &self.vector) + update.residual / update.variance;
        for i in 0..N {
            self.vector[i] -= update.row[i] * pull;
        }
    }

    /// Goes back over a prediction where only means are asked for.
    pub fn vector_before_predict(&mut self, step: &impl Transition<N>) {
        step.backwards(&mut self.vector);
    }
}

/// `F M F'` of a symmetric matrix, where `apply` is `F x`.
fn congruence<const N: usize>(matrix: &mut Matrix<N>, apply: impl Fn(&mut Vector<N>)) {
    let mut half = *matrix;
    half.iter_mut().for_each(&apply);
    for i in 0..N {
        for j in 0..N {
            matrix[i][j] = half[j][i];
        }
        apply(&mut matrix[i]);
    }
    for i in 0..N {
        for j in 0..i {
            matrix[i][j] = matrix[j][i];
        }
    }
}

/// `M - (a b' + b a')`.
fn subtract_symmetric_product<const N: usize>(
    matrix: &mut Matrix<N>,
    a: &Vector<N>,
    b: &Vector<N>,
) {
    for i in 0..N {
        for j in 0..N {
            matrix[i][j] -= a[i] * b[j] + b[i] * a[j];
        }
    }
}

/// `M x` of a symmetric matrix.
fn product<const N: usize>(matrix: &Matrix<N>, x: &Vector<N>) -> Vector<N> {
    let mut sum = [0.0; N];
    for (row, x) in matrix.iter().zip(x) {
        for i in 0..N {
            sum[i] += row[i] * x;
        }
    }
    sum
}

fn dot<const N: usize>(a: &Vector<N>, b: &Vector<N>) -> f64 {
    let mut sum = 0.0;
    for i in 0..N {
        sum += a[i] * b[i];
    }
    sum
}

fn first<const N: usize, const M: usize>(vector: &Vector<N>) -> Vector<M> {
    std::array::from_fn(|i| vector[i])
}
