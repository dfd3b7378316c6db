//! Preferred values of resistors and capacitors.
//!
//! Source: IEC 60063:2015 (from memory), E24 (5 %) and E96 (1 %).

use crate::math::fun;

/// The E24 series: two digits that no formula gives.
const E24: [f64; 24] = [
    1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6,
    6.2, 6.8, 7.5, 8.2, 9.1,
];

/// A series.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Series {
    /// 24 values a decade, 5 %.
    E24,
    /// 96 values a decade, 1 %.
    E96,
}

impl Series {
    /// Its name in the standard.
    pub fn name(self) -> &'static str {
        match self {
            Series::E24 => "E24",
            Series::E96 => "E96",
        }
    }

    /// The values of one decade from 1.
    fn decade(self) -> Vec<f64> {
        match self {
            Series::E24 => E24.to_vec(),
            // Three digits of the 96th roots of ten, as the standard has them.
            Series::E96 => (0..96)
                .map(|k| (100.0 * crate::math::fun::pow(10.0, f64::from(k) / 96.0)).round() / 100.0)
                .collect(),
        }
    }

    /// The value of the series nearest in ratio to a value of more than zero.
    pub fn nearest(self, value: f64) -> f64 {
        let decade = fun::log10(value).floor() as i32;
        let mut candidates = Vec::new();
        for power in [decade - 1, decade, decade + 1] {
            for step in self.decade() {
                // As one text, so that the nearest number is found and not a product of two.
                let text = format!("{step}e{power}");
                candidates.push(text.parse::<f64>().unwrap_or(value));
            }
        }
        let ratio = |c: f64| (c / value).max(value / c);
        candidates
            .into_iter()
            .min_by(|a, b| ratio(*a).total_cmp(&ratio(*b)))
            .expect("a decade has values")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_value_is_found_across_decades() {
        for (series, value, nearest) in [
            (Series::E24, 4634.0, 4700.0),
            (Series::E24, 9.7, 10.0),
            (Series::E24, 9.4, 9.1),
            (Series::E24, 47e-9, 47e-9),
            (Series::E96, 4634.0, 4640.0),
            (Series::E96, 99.0, 100.0),
            (Series::E96, 0.987, 0.976),
            (Series::E96, 1.79e3, 1.78e3),
        ] {
            assert_eq!(series.nearest(value), nearest, "{series:?} {value}");
        }
    }

    #[test]
    fn the_series_is_that_of_the_standard() {
        // IEC 60063 (from memory): members of E96 spread over the decade.
        let e96 = Series::E96.decade();
        for value in [
            1.02, 1.21, 1.5, 2.0, 2.49, 3.01, 4.02, 4.99, 6.04, 7.5, 8.06, 9.09, 9.76,
        ] {
            assert!(e96.contains(&value), "{value}");
        }
        // Steps of 5 % and 1 % parts leave no gap wider than 16 % (1.3 to 1.5) and 3.1 % (1.33 to 1.37).
        for (series, widest) in [(Series::E24, 1.16), (Series::E96, 1.031)] {
            let values = series.decade();
            assert!(
                values
                    .windows(2)
                    .all(|w| w[1] / w[0] < widest && w[1] > w[0])
            );
        }
    }
}
