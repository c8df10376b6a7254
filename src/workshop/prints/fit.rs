//! Nonlinear least squares with priors: what the learner fits with, and nothing that knows of prints.

use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt};
use nalgebra::{DMatrix, DVector, Dyn, Owned};

/// A curve with parameters, at places where it was measured.
pub trait Curve {
    /// How many places.
    fn places(&self) -> usize;
    /// What was measured at a place.
    fn measured(&self, place: usize) -> f64;
    /// The curve at a place; fills in its derivatives by the parameters.
    fn at(&self, parameters: &[f64], place: usize, derivatives: &mut [f64]) -> f64;
}

/// What is believed of a parameter before anything was measured: about `mean`, give or take `sd`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prior {
    /// The middle.
    pub mean: f64,
    /// Standard deviation, above 0.
    pub sd: f64,
}

/// The parameters with the least sum of squares Σ (w (measured − curve))² + Σ ((p − mean) / sd)², from `start` on, by the
/// method of Levenberg and Marquardt. A weight for each place; a prior for each parameter, or none at all. None where the
/// way there leaves the finite numbers.
pub fn least_squares(curve: &impl Curve, weights: &[f64], priors: &[Prior], start: &[f64]) -> Option<Vec<f64>> {
    let problem = Problem { curve, weights, priors, parameters: DVector::from_column_slice(start) };
    let (problem, report) = LevenbergMarquardt::new().minimize(problem);
    let found = problem.parameters.as_slice().to_vec();
    let is_finite = report.objective_function.is_finite() && found.iter().all(|parameter| parameter.is_finite());
    is_finite.then_some(found)
}

struct Problem<'a, C> {
    curve: &'a C,
    weights: &'a [f64],
    priors: &'a [Prior],
    parameters: DVector<f64>,
}

impl<C: Curve> LeastSquaresProblem<f64, Dyn, Dyn> for Problem<'_, C> {
    type ResidualStorage = Owned<f64, Dyn>;
    type JacobianStorage = Owned<f64, Dyn, Dyn>;
    type ParameterStorage = Owned<f64, Dyn>;

    fn set_params(&mut self, parameters: &DVector<f64>) {
        self.parameters.copy_from(parameters);
    }

    fn params(&self) -> DVector<f64> {
        self.parameters.clone()
    }

    fn residuals(&self) -> Option<DVector<f64>> {
        let (places, parameters) = (self.curve.places(), self.parameters.as_slice());
        let mut derivatives = vec![0.0; parameters.len()];
        Some(DVector::from_fn(places + self.priors.len(), |row, _| match row.checked_sub(places) {
            None => self.weights[row] * (self.curve.at(parameters, row, &mut derivatives) - self.curve.measured(row)),
            Some(of) => (parameters[of] - self.priors[of].mean) / self.priors[of].sd,
        }))
    }

    fn jacobian(&self) -> Option<DMatrix<f64>> {
        let (places, parameters) = (self.curve.places(), self.parameters.as_slice());
        let mut jacobian = DMatrix::zeros(places + self.priors.len(), parameters.len());
        let mut derivatives = vec![0.0; parameters.len()];
        for place in 0..places {
            self.curve.at(parameters, place, &mut derivatives);
            for (of, derivative) in derivatives.iter().enumerate() {
                jacobian[(place, of)] = self.weights[place] * derivative;
            }
        }
        for (of, prior) in self.priors.iter().enumerate() {
            jacobian[(places + of, of)] = 1.0 / prior.sd;
        }
        Some(jacobian)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// y = b1 (1 − exp(−b2 x)): the law of heating.
    struct Saturating<'a>(&'a [(f64, f64)]);

    impl Curve for Saturating<'_> {
        fn places(&self) -> usize {
            self.0.len()
        }

        fn measured(&self, place: usize) -> f64 {
            self.0[place].1
        }

        fn at(&self, parameters: &[f64], place: usize, derivatives: &mut [f64]) -> f64 {
            let (x, left) = (self.0[place].0, (-parameters[1] * self.0[place].0).exp());
            derivatives.copy_from_slice(&[1.0 - left, parameters[0] * x * left]);
            parameters[0] * (1.0 - left)
        }
    }

    fn fitted(data: &[(f64, f64)], start: [f64; 2]) -> Vec<f64> {
        least_squares(&Saturating(data), &vec![1.0; data.len()], &[], &start).expect("finite")
    }

    /// Statistical Reference Datasets, Nonlinear Regression, NIST: data, second starting values and certified values.
    #[test]
    fn certified_values_of_misra1a_and_boxbod() {
        let misra1a = [
            (77.6, 10.07),
            (114.9, 14.73),
            (141.1, 17.94),
            (190.8, 23.93),
            (239.9, 29.61),
            (289.0, 35.18),
            (332.8, 40.02),
            (378.4, 44.82),
            (434.8, 50.76),
            (477.3, 55.05),
            (536.8, 61.01),
            (593.1, 66.40),
            (689.1, 75.47),
            (760.0, 81.78),
        ];
        let boxbod = [(1.0, 109.0), (2.0, 149.0), (3.0, 149.0), (5.0, 191.0), (7.0, 213.0), (10.0, 224.0)];
        let six_digits = |found: f64, certified: f64| (found / certified - 1.0).abs() < 5e-7;
        let found = fitted(&misra1a, [250.0, 0.0005]);
        assert!(six_digits(found[0], 238.94212918) && six_digits(found[1], 5.501_564_318_1e-4), "{found:?}");
        let found = fitted(&boxbod, [100.0, 0.75]);
        assert!(six_digits(found[0], 213.80940889) && six_digits(found[1], 0.547_237_485_42), "{found:?}");
    }

    #[test]
    fn a_prior_weighs_like_a_measurement_of_its_own() {
        struct Mean([f64; 3]);
        impl Curve for Mean {
            fn places(&self) -> usize {
                3
            }

            fn measured(&self, place: usize) -> f64 {
                self.0[place]
            }

            fn at(&self, parameters: &[f64], _: usize, derivatives: &mut [f64]) -> f64 {
                derivatives[0] = 1.0;
                parameters[0]
            }
        }
        // Normal prior and normal data (a textbook's conjugate pair): the mean weighed by inverse variances.
        let found = least_squares(&Mean([4.0, 5.0, 9.0]), &[1.0; 3], &[Prior { mean: 2.0, sd: 0.5 }], &[0.0]);
        let expected = (4.0 + 5.0 + 9.0 + 2.0 * 4.0) / (3.0 + 4.0);
        assert!((found.expect("finite")[0] - expected).abs() < 1e-9);
    }

    #[test]
    fn what_is_not_finite_is_no_answer() {
        let data = [(1.0, f64::NAN), (2.0, 3.0)];
        assert_eq!(least_squares(&Saturating(&data), &[1.0; 2], &[], &[1.0, 1.0]), None);
    }
}
