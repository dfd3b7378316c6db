//! What many runs of one figure come to, in memory that does not grow with them.

use crate::math::fun;

/// Values that are all kept: quantiles are exact up to here.
const KEPT: usize = 1 << 16;
/// Beyond, they are counted in this many bins over twice the range seen until then, so that a
/// quantile is off by at most a 16 384th of that.
const BINS: usize = 1 << 15;

/// One figure over all runs.
#[derive(Debug, Clone)]
pub struct Summary {
    /// Runs that have the figure.
    pub count: u64,
    /// Runs that do not.
    pub missing: u64,
    /// The mean.
    pub mean: f64,
    squares: f64,
    /// The least and its run.
    pub least: (f64, u64),
    /// The greatest and its run.
    pub most: (f64, u64),
    kept: Vec<f64>,
    bins: Option<Bins>,
}

impl Default for Summary {
    fn default() -> Self {
        Summary {
            count: 0,
            missing: 0,
            mean: 0.0,
            squares: 0.0,
            least: (f64::INFINITY, 0),
            most: (f64::NEG_INFINITY, 0),
            kept: Vec::new(),
            bins: None,
        }
    }
}

#[derive(Debug, Clone)]
struct Bins {
    from: f64,
    width: f64,
    counts: Vec<u64>,
}

impl Bins {
    fn over(values: &[f64]) -> Self {
        let low = values.iter().copied().fold(f64::INFINITY, f64::min);
        let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let range = (high - low).max(f64::MIN_POSITIVE);
        let mut bins = Bins {
            from: low - 0.5 * range,
            width: 2.0 * range / BINS as f64,
            counts: vec![0; BINS],
        };
        values.iter().for_each(|&v| bins.add(v));
        bins
    }

    fn add(&mut self, value: f64) {
        let place = ((value - self.from) / self.width).max(0.0) as usize;
        self.counts[place.min(BINS - 1)] += 1;
    }
}

impl Summary {
    /// Takes a run's figure in, or that it has none (`None`, or no finite number).
    pub fn add(&mut self, run: u64, value: Option<f64>) {
        let Some(value) = value.filter(|v| v.is_finite()) else {
            self.missing += 1;
            return;
        };
        self.count += 1;
        // B. P. Welford, Technometrics 4, 1962, p. 419.
        let before = value - self.mean;
        self.mean += before / self.count as f64;
        self.squares += before * (value - self.mean);
        if value < self.least.0 {
            self.least = (value, run);
        }
        if value > self.most.0 {
            self.most = (value, run);
        }
        if let Some(bins) = &mut self.bins {
            bins.add(value);
            return;
        }
        self.kept.push(value);
        if self.kept.len() > KEPT {
            self.bins = Some(Bins::over(&self.kept));
            self.kept = Vec::new();
        }
    }

    /// The standard deviation, of a sample; NaN of fewer than two.
    pub fn deviation(&self) -> f64 {
        match self.count {
            0 | 1 => f64::NAN,
            n => (self.squares / (n - 1) as f64).sqrt(),
        }
    }

    /// The values below which the parts `p` (rising, 0 to 1) lie, between neighbours in a straight
    /// line (definition 7 of R. J. Hyndman and Y. Fan, The American Statistician 50, 1996, p. 361).
    pub fn quantiles(&self, parts: &[f64]) -> Vec<f64> {
        if self.count == 0 {
            return vec![f64::NAN; parts.len()];
        }
        let place = |p: f64| p * (self.count - 1) as f64;
        let Some(bins) = &self.bins else {
            let mut sorted = self.kept.clone();
            sorted.sort_by(f64::total_cmp);
            let at = |p: f64| {
                let (below, part) = (place(p).floor(), place(p).fract());
                let low = sorted[below as usize];
                low + part * (sorted[(below as usize + 1).min(sorted.len() - 1)] - low)
            };
            return parts.iter().map(|&p| at(p)).collect();
        };
        let at = |p: f64| {
            let mut before = 0.0;
            for (k, &count) in bins.counts.iter().enumerate() {
                let count = count as f64;
                if count > 0.0 && before + count > place(p) {
                    let into = (place(p) - before + 0.5) / count;
                    let value = bins.from + bins.width * (k as f64 + into.min(1.0));
                    return value.clamp(self.least.0, self.most.0);
                }
                before += count;
            }
            self.most.0
        };
        parts.iter().map(|&p| at(p)).collect()
    }

    /// How many values lie in each of N equal parts of the range, and the range.
    pub fn histogram(&self, parts: usize) -> (f64, f64, Vec<u64>) {
        let (low, high) = (self.least.0, self.most.0);
        let mut counts = vec![0; parts];
        let width = (high - low) / parts as f64;
        let mut put = |value: f64, count: u64| {
            let place = if width > 0.0 {
                ((value - low) / width).max(0.0) as usize
            } else {
                0
            };
            counts[place.min(parts - 1)] += count;
        };
        match &self.bins {
            None => self.kept.iter().for_each(|&v| put(v, 1)),
            Some(bins) => {
                for (k, &count) in bins.counts.iter().enumerate().filter(|b| *b.1 > 0) {
                    put(bins.from + bins.width * (k as f64 + 0.5), count);
                }
            }
        }
        (low, high, counts)
    }
}

/// The part of amplifiers that pass, with the interval that holds the true one 95 times of 100
/// (E. B. Wilson, J. Am. Stat. Assoc. 22, 1927, p. 209).
pub fn wilson(passed: u64, of: u64) -> (f64, f64, f64) {
    if of == 0 {
        return (f64::NAN, 0.0, 1.0);
    }
    const Z: f64 = 1.959_963_984_540_054;
    let (n, p) = (of as f64, passed as f64 / of as f64);
    let middle = p + Z * Z / (2.0 * n);
    let half = Z * (p * (1.0 - p) / n + Z * Z / (4.0 * n * n)).sqrt();
    let by = 1.0 + Z * Z / n;
    // At the ends it is exact, and rounding must not take it past them.
    let low = if passed == 0 {
        0.0
    } else {
        (middle - half) / by
    };
    let high = if passed == of {
        1.0
    } else {
        (middle + half) / by
    };
    (p, low.max(0.0), high.min(1.0))
}

/// Digits worth showing of a mean: as many as its own error leaves.
pub fn digits(mean: f64, error: f64) -> usize {
    if mean == 0.0 || error.is_nan() || error <= 0.0 {
        return 5;
    }
    let places = fun::log10((mean / error).abs()).floor();
    (places + 2.0).clamp(3.0, 7.0) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    /// R. G. Newcombe, Statistics in Medicine 17, 1998, p. 857, table I, method 3: 81 of 263 is
    /// 0.2553 to 0.3662; 0 of 20 is 0 to 0.1611.
    #[test]
    fn wilsons_interval_is_the_published_one() {
        let (_, low, high) = wilson(81, 263);
        assert!((low - 0.2553).abs() < 5e-5 && (high - 0.3662).abs() < 5e-5);
        let (_, low, high) = wilson(0, 20);
        assert!(low == 0.0 && (high - 0.1611).abs() < 5e-5);
    }

    #[test]
    fn few_values_and_very_many_have_their_quantiles() {
        let mut few = Summary::default();
        for (run, v) in [5.0, 1.0, 4.0, 2.0, 3.0].into_iter().enumerate() {
            few.add(run as u64, Some(v));
        }
        few.add(9, None);
        assert_eq!(
            (few.count, few.missing, few.least.1, few.most.1),
            (5, 1, 1, 0)
        );
        assert_eq!(few.quantiles(&[0.0, 0.5, 0.625, 1.0]), [1.0, 3.0, 3.5, 5.0]);
        assert!((few.deviation() - 2.5f64.sqrt()).abs() < 1e-15);
        let mut many = Summary::default();
        for k in 0..200_000u64 {
            many.add(k, Some(((k * 7919) % 200_000) as f64));
        }
        for (p, q) in [0.01, 0.5, 0.99]
            .into_iter()
            .zip(many.quantiles(&[0.01, 0.5, 0.99]))
        {
            assert!((q - p * 199_999.0).abs() < 30.0, "{p} {q}");
        }
        let (_, _, counts) = many.histogram(10);
        assert!(counts.iter().all(|c| (19_900..20_100).contains(c)));
    }
}
