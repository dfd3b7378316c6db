//! The valve that readings tell of, and how sure it is.
//!
//! Each reading counts in its own standard deviation, the meter's accuracy and, near nothing, a
//! little of the largest current read. How well the law follows the readings is found with the
//! fit: the variance is scaled by (misfit + 4)/(readings - parameters determined + 4), plate and screen
//! each for itself, as if four readings had been seen before that were as good as the meter. So
//! a law that misses by 4 % does not claim intervals of 1 %, and three readings cannot claim that
//! the meter is better than it is.
//!
//! A coordinate moves if the readings tell more of it than the type does: those that shrink their
//! prior most come in first, as long as it shrinks below `SHRUNK`, and no more of them than there
//! are different readings; fewer than `BENDS` of these move what production moves and leave the
//! shape alone. One reading near cut-off moves two, or a valve that cuts off half a volt later would
//! become six of its type. What is held is as uncertain as its prior in all intervals.
//!
//! A reading that is within that little of nothing, where the type gives nothing either, says nothing
//! of the valve: it is set aside, or many of them would vouch for the meter.
//!
//! Contradictions: of two readings one of which has more volts on every electrode and yet less
//! current, beyond what the meter explains, at least one is wrong, whatever the valve; both are
//! named. A single reading that lies more than five deviations from what all others say (Student's
//! residual) is named and left out.

use super::bottle::{Bottle, State};
use super::frame::Frame;
use super::least_squares::{self, Minimum, Unknowns};
use super::readings::Reading;
use crate::math::fun;

/// What a prior has to shrink to for its coordinate to move.
const SHRUNK: f64 = 0.9;
/// Different readings below which the shape of the curves stays the type's.
const BENDS: usize = 4;
/// How much better another set of the type has to follow before it is taken, as a difference of
/// twice a logarithm of likelihood: 6 is odds of 20 to 1.
const BETTER: f64 = 6.0;
/// Different readings that it takes for that: four of a power valve above its knee cannot tell.
const MANY: usize = 8;
/// Readings as good as the meter that are taken for granted.
const BELIEVED: f64 = 4.0;
/// Part of the largest current read that a small current may be off.
const FLOOR: f64 = 0.002;
/// Part of the largest current read from which on a residual in per cent says how well the law
/// follows; below, it says how near cut-off the reading is.
pub const TOLD: f64 = 0.02;
/// Part of the reference current below which readings say too little of the current at work.
const NEAR_CUT_OFF: f64 = 0.2;
/// Deviations beyond which a reading is left out.
const OUTLIER: f64 = 5.0;
/// What a reading that is left out counts on the scale of `BETTER`: one slip in fifty readings, anywhere
/// within some hundred deviations. With more, a set whose whole fit a slip spoils would win.
const SLIPPED: f64 = 15.0;
/// Deviations beyond which two readings contradict each other.
const CONTRADICTION: f64 = 4.0;
/// What the law may miss of the larger currents before the readings are a stranger's.
const STRANGE: f64 = 0.15;
/// Half a 90 % interval in standard deviations.
pub const NINETY: f64 = 1.644_853_626_951_472_7;

/// A parameter of the model.
#[derive(Debug, Clone, PartialEq)]
pub struct Parameter {
    /// Its name.
    pub name: &'static str,
    /// Its unit.
    pub unit: &'static str,
    /// The type's value.
    pub typical: f64,
    /// This valve's.
    pub value: f64,
    /// 90 % interval.
    pub interval: (f64, f64),
    /// Whether readings moved it.
    pub moved: bool,
}

/// A reading beside what the model gives.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// As read.
    pub reading: Reading,
    /// Plate and screen current of the model, A.
    pub model: [f64; 2],
    /// 90 % interval of the model's plate current, A.
    pub interval: (f64, f64),
    /// Whether it was left out as contradicting all others.
    pub left_out: bool,
    /// Whether it was set aside as saying nothing.
    pub aside: bool,
}

impl Judged {
    /// Whether the fit is to it.
    pub fn counts(&self) -> bool {
        !self.left_out && !self.aside
    }
}

/// Two readings that cannot both be right: their places in the list.
pub type Contradiction = (usize, usize);

/// What was found.
#[derive(Debug)]
pub struct Estimate {
    /// Every parameter of the kind, in its order, rounded as a model is written.
    pub values: Vec<f64>,
    /// Where in the type's frame.
    pub z: Vec<f64>,
    /// Which coordinates moved.
    pub moved: Vec<bool>,
    /// Parameters that differ from valve to valve.
    pub parameters: Vec<Parameter>,
    /// The readings.
    pub judged: Vec<Judged>,
    /// Which of them contradict each other, the worst first.
    pub contradictions: Vec<Contradiction>,
    /// Root mean square of the residuals where they tell ([`Estimate::told`]), as a part of the current
    /// read.
    pub rms: f64,
    covariance: Vec<f64>,
    frame: Frame,
    cost: f64,
}

impl Estimate {
    /// The type, or the set of it, that was fitted.
    pub fn frame(&self) -> &Frame {
        &self.frame
    }

    /// The valve.
    pub fn bottle(&self) -> Bottle {
        Bottle::new(self.frame.kind, &self.values)
    }

    /// How unlikely the readings are of this type: less is likelier. To be compared only between
    /// fits to the same readings.
    pub fn cost(&self) -> f64 {
        self.cost
    }

    /// Plate current at some volts with its 90 % interval, A.
    pub fn current(&self, state: State) -> (f64, (f64, f64)) {
        let value = self.bottle().at(state)[0];
        let spread = self.deviation(|values| Bottle::new(self.frame.kind, values).at(state)[0]);
        (value, around(value, spread))
    }

    /// The worst interval of the plate current within the volts read, as a part of the current:
    /// half of it, where the current is more than a tenth of the largest read. None if there is no
    /// such place.
    pub fn uncertainty(&self) -> Option<f64> {
        let most = self.most();
        let counted = self.judged.iter().filter(|j| j.model[0] > 0.1 * most);
        let half = |j: &Judged| (j.interval.1 - j.interval.0) / (2.0 * j.model[0]);
        counted.map(half).reduce(f64::max)
    }

    /// How far the current may differ where the valve works, as a part of it: the worst within the
    /// volts read and, where all readings were near cut-off, at the type's reference point.
    pub fn spread(&self) -> Option<f64> {
        let within = self.uncertainty();
        if self.most() > NEAR_CUT_OFF * self.frame.currents[0] {
            return within;
        }
        let (value, (low, high)) = self.current(self.frame.reference);
        Some(within.unwrap_or(0.0).max((high - low) / (2.0 * value)))
    }

    /// The readings whose residuals in per cent tell something, with these: those that count and
    /// have more than a little of the largest current.
    pub fn told(&self) -> impl Iterator<Item = (&Judged, f64)> {
        let least = TOLD * self.most();
        let told = move |j: &&Judged| j.counts() && j.reading.plate > least;
        let all = self.judged.iter().filter(told);
        all.map(|j| (j, j.model[0] / j.reading.plate - 1.0))
    }

    /// The largest plate current read, A.
    fn most(&self) -> f64 {
        let all = self.judged.iter().map(|j| j.reading.plate);
        all.fold(0.0, f64::max)
    }

    /// Whether the readings are hardly those of the type: a quarter of them and more than one had to
    /// be left out, or the law misses those of a tenth of the largest current and more.
    pub fn is_strange(&self) -> bool {
        let of = |is: fn(&&Judged) -> bool| self.judged.iter().filter(is).count();
        let (left, all) = (of(|j| j.left_out), of(|j| !j.aside));
        let most = self.most();
        let large = self.judged.iter().filter(|j| j.reading.plate > 0.1 * most);
        let errors = large
            .filter(|j| !j.left_out)
            .map(|j| j.model[0] / j.reading.plate - 1.0);
        let squares: Vec<f64> = errors.map(|e| e * e).collect();
        let rms = (squares.iter().sum::<f64>() / squares.len().max(1) as f64).sqrt();
        (left > 1 && 4 * left >= all) || rms > STRANGE
    }

    /// Standard deviation of anything that follows from the parameters.
    fn deviation(&self, of: impl Fn(&[f64]) -> f64) -> f64 {
        let n = self.z.len();
        let mut z = self.z.clone();
        let gradient: Vec<f64> = (0..n)
            .map(|j| {
                let step = 1e-3;
                z[j] = self.z[j] + step;
                let up = of(&self.frame.parameters(&z));
                z[j] = self.z[j] - step;
                let down = of(&self.frame.parameters(&z));
                z[j] = self.z[j];
                (up - down) / (2.0 * step)
            })
            .collect();
        let rows = self.covariance.chunks_exact(n).zip(&gradient);
        let variance: f64 = rows
            .map(|(row, g)| g * row.iter().zip(&gradient).map(|(c, h)| c * h).sum::<f64>())
            .sum();
        variance.max(0.0).sqrt()
    }
}

/// A 90 % interval that does not cross zero.
fn around(value: f64, deviation: f64) -> (f64, f64) {
    if value == 0.0 {
        return (-NINETY * deviation, NINETY * deviation);
    }
    let by = fun::exp(NINETY * (deviation / value.abs()).min(5.0));
    let ends = (value / by, value * by);
    if value > 0.0 { ends } else { (ends.1, ends.0) }
}

/// A number with as many digits as a model is written with.
pub fn rounded(value: f64) -> f64 {
    format!("{value:.5e}").parse().unwrap_or(value)
}

/// Standard deviations of plate and screen readings, A.
fn deviations(readings: &[Reading], accuracy: f64) -> Vec<[f64; 2]> {
    let most = |of: &dyn Fn(&Reading) -> f64| readings.iter().map(of).fold(0.0, f64::max);
    let plate = FLOOR * most(&|r| r.plate);
    let screen = FLOOR * most(&|r| r.screen.unwrap_or(0.0));
    let both = |a: f64, b: f64| (a * a + b * b).sqrt().max(1e-12);
    let of = |r: &Reading| {
        let own = accuracy * r.plate;
        [
            both(r.error.unwrap_or(own), plate),
            both(accuracy * r.screen.unwrap_or(0.0), screen),
        ]
    };
    readings.iter().map(of).collect()
}

/// One run of the fit over the readings that are kept.
struct Run<'a> {
    frame: &'a Frame,
    readings: &'a [Reading],
    deviations: &'a [[f64; 2]],
    kept: &'a [bool],
    /// Square roots of the scales of plate and screen.
    scale: [f64; 2],
}

impl Run<'_> {
    /// Residuals of all kept readings: plates, then screens.
    fn residuals(&self, z: &[f64]) -> Vec<f64> {
        let bottle = Bottle::new(self.frame.kind, &self.frame.parameters(z));
        let kept = || {
            let all = self.readings.iter().zip(self.deviations).zip(self.kept);
            all.filter(|(_, kept)| **kept).map(|(r, _)| r)
        };
        let plates =
            kept().map(|(r, d)| (bottle.at(r.state)[0] - r.plate) / (d[0] * self.scale[0]));
        let screens = kept().filter_map(|(r, d)| {
            let read = r.screen?;
            Some((bottle.at(r.state)[1] - read) / (d[1] * self.scale[1]))
        });
        plates.chain(screens).collect()
    }

    fn least(&self, start: Vec<f64>, free: &[bool]) -> Minimum {
        let unknowns = Unknowns {
            start,
            least: self.frame.least(),
            free: free.to_vec(),
        };
        least_squares::least(&mut |z| self.residuals(z), &unknowns)
    }

    /// Which coordinates the readings tell of, by the slopes at `z`.
    fn told(&self, z: &[f64]) -> Vec<bool> {
        let slopes = least_squares::slopes(&mut |z| self.residuals(z), z);
        let n = self.frame.list.len();
        let all = self.readings.iter().zip(self.kept);
        let kept = all.filter(|(_, kept)| **kept);
        let places = places(kept.clone().map(|(r, _)| r));
        let read = kept.map(|(r, _)| r.plate).fold(0.0, f64::max);
        let least = 1 + usize::from(read < NEAR_CUT_OFF * self.frame.currents[0]);
        let most = (places.len() + places.iter().filter(|p| p.1).count()).max(least);
        let bends = places.len() >= BENDS;
        let mut chosen = vec![0];
        while chosen.len() < most.min(n) {
            let shrunk = |j: usize| {
                let with = [&chosen[..], &[j]].concat();
                let a = least_squares::inverse(&least_squares::normal(&slopes, &with), with.len());
                a[with.len() * with.len() - 1].sqrt()
            };
            let open = (0..n)
                .filter(|&j| !chosen.contains(&j) && (bends || self.frame.list[j].is_production()))
                .map(|j| (j, shrunk(j)));
            match open.min_by(|a, b| a.1.total_cmp(&b.1)) {
                Some((j, shrunk)) if shrunk < SHRUNK => chosen.push(j),
                _ => break,
            }
        }
        (0..n).map(|j| chosen.contains(&j)).collect()
    }
}

/// The different volts of readings, and whether a screen current was read there.
fn places<'r>(readings: impl Iterator<Item = &'r Reading>) -> Vec<(State, bool)> {
    let mut places: Vec<(State, bool)> = Vec::new();
    for r in readings {
        match places.iter_mut().find(|p| alike(p.0, r.state)) {
            Some(place) => place.1 |= r.screen.is_some(),
            None => places.push((r.state, r.screen.is_some())),
        }
    }
    places
}

/// Whether two readings were taken at the same volts.
fn alike(a: State, b: State) -> bool {
    let near = |x: f64, y: f64| x.is_nan() || (x - y).abs() <= 1e-3 * x.abs().max(y.abs());
    near(a.vpk, b.vpk) && near(a.vg2k, b.vg2k) && near(a.vgk, b.vgk)
}

/// Fits a valve to readings by a meter of some accuracy (a standard deviation, as a part of the
/// current). The first frame is the type; of other sets of its parameters, published ones that the
/// library has beside it, one is taken if the readings follow it much better: a stranger that the
/// type's own set cannot be bent to.
///
/// # Panics
/// If there is no reading or no frame.
pub fn estimate(frames: &[Frame], readings: &[Reading], accuracy: f64) -> Estimate {
    let aside = idle(frames.first().expect("a type"), readings);
    let mut all = frames
        .iter()
        .map(|frame| one(frame, readings, &aside, accuracy));
    let mut best = all.next().expect("a type");
    if places(readings.iter()).len() < MANY {
        return best;
    }
    for other in all {
        if other.cost < best.cost - BETTER {
            best = other;
        }
    }
    best
}

/// Which readings say nothing: no more current than the fit takes for nothing, neither read nor
/// expected of the type.
fn idle(frame: &Frame, readings: &[Reading]) -> Vec<bool> {
    let typical = Bottle::new(frame.kind, &frame.values);
    let most = |of: &dyn Fn(&Reading) -> f64| readings.iter().map(of).fold(0.0, f64::max);
    let plate = FLOOR * most(&|r| r.plate);
    let screen = FLOOR * most(&|r| r.screen.unwrap_or(0.0));
    let of = |r: &Reading| {
        let expected = typical.at(r.state);
        let has_screen = r.screen.is_some_and(|read| read.max(expected[1]) >= screen);
        r.plate.max(expected[0]) < plate && !has_screen
    };
    readings.iter().map(of).collect()
}

fn one(frame: &Frame, readings: &[Reading], aside: &[bool], accuracy: f64) -> Estimate {
    assert!(!readings.is_empty(), "nothing was read");
    let deviations = deviations(readings, accuracy);
    let mut kept: Vec<bool> = aside.iter().map(|aside| !aside).collect();
    let all = kept.iter().filter(|k| **k).count();
    loop {
        let found = fitted(frame, readings, &deviations, &kept);
        let worst = outlier(&found, &kept);
        match worst {
            Some(k) if 4 * (all - kept.iter().filter(|k| **k).count()) < all => kept[k] = false,
            _ => return finished(frame, readings, &deviations, (&kept, aside), found),
        }
    }
}

/// A fit with its coordinates, scales and covariance.
struct Fitted {
    minimum: Minimum,
    moved: Vec<bool>,
    scale: [f64; 2],
    covariance: Vec<f64>,
    told: f64,
    cost: f64,
}

fn fitted(frame: &Frame, readings: &[Reading], deviations: &[[f64; 2]], kept: &[bool]) -> Fitted {
    let n = frame.list.len();
    let mut run = Run {
        frame,
        readings,
        deviations,
        kept,
        scale: [1.0; 2],
    };
    // The current first, or the slopes at the type would say little of a valve far from it.
    let mut moved: Vec<bool> = (0..n).map(|j| j == 0).collect();
    let mut minimum = run.least(vec![0.0; n], &moved);
    for round in 0..4 {
        if round < 2 {
            moved = run.told(&minimum.z);
            let hold = |(z, free): (&f64, &bool)| if *free { *z } else { 0.0 };
            minimum.z = minimum.z.iter().zip(&moved).map(hold).collect();
        }
        minimum = run.least(minimum.z, &moved);
        if round > 0 {
            rescale(&mut run, &minimum);
        }
    }
    minimum = run.least(minimum.z, &moved);
    let all: Vec<usize> = (0..n).collect();
    let covariance = least_squares::inverse(&least_squares::normal(&minimum.slopes, &all), n);
    let told = told(&covariance, n);
    let plates = kept.iter().filter(|k| **k).count();
    let parts = [&minimum.residuals[..plates], &minimum.residuals[plates..]];
    // Student's likelihood of each part, the scale being unknown, and the priors.
    let unlikely = |(part, scale): (&[f64], f64)| {
        let misfit = part.iter().map(|r| r * r).sum::<f64>() * scale * scale;
        (part.len() as f64 + BELIEVED) * fun::ln(1.0 + misfit / BELIEVED)
    };
    let cost = parts.into_iter().zip(run.scale).map(unlikely).sum::<f64>()
        + minimum.z.iter().map(|z| z * z).sum::<f64>();
    Fitted {
        cost,
        minimum,
        moved,
        scale: run.scale,
        covariance,
        told,
    }
}

/// How many coordinates' worth the readings tell.
fn told(covariance: &[f64], n: usize) -> f64 {
    (0..n).map(|j| 1.0 - covariance[j * n + j]).sum()
}

/// Sets the scales by how well the law follows.
fn rescale(run: &mut Run<'_>, minimum: &Minimum) {
    let n = minimum.z.len();
    let all: Vec<usize> = (0..n).collect();
    let covariance = least_squares::inverse(&least_squares::normal(&minimum.slopes, &all), n);
    let told = told(&covariance, n);
    let residuals = run.residuals(&minimum.z);
    let plates = run.kept.iter().filter(|k| **k).count();
    let parts = [&residuals[..plates], &residuals[plates..]];
    for (part, scale) in parts.into_iter().zip(&mut run.scale) {
        let count = part.len() as f64;
        let share = told * count / residuals.len() as f64;
        // The residuals are in the scale that stands.
        let misfit = part.iter().map(|r| r * r).sum::<f64>() * *scale * *scale;
        *scale = ((misfit + BELIEVED) / ((count - share).max(0.0) + BELIEVED)).sqrt();
    }
}

/// The reading that lies farthest from what all others say, if it is too far.
fn outlier(found: &Fitted, kept: &[bool]) -> Option<usize> {
    let places: Vec<usize> = (0..kept.len()).filter(|&k| kept[k]).collect();
    if places.len() < 4 {
        return None;
    }
    let n = found.minimum.z.len();
    let room = (places.len() as f64 - found.told).max(0.0) + BELIEVED;
    // The variance that is believed at least, in the scale that stands.
    let least = BELIEVED / (found.scale[0] * found.scale[0] * (room - 1.0));
    let student = |row: usize| {
        let slope: Vec<f64> = found.minimum.slopes.iter().map(|s| s[row]).collect();
        // What the reading itself does to the fit, between 0 and 1.
        let own = |i: usize| {
            let line = &found.covariance[i * n..(i + 1) * n];
            slope[i] * line.iter().zip(&slope).map(|(c, s)| c * s).sum::<f64>()
        };
        let lever = (0..n).map(own).sum::<f64>().clamp(0.0, 0.999);
        let residual = found.minimum.residuals[row];
        let square = residual * residual / (1.0 - lever);
        // The variance that the others have by themselves.
        let others = ((room - square) / (room - 1.0)).max(least);
        (square / others).sqrt()
    };
    let far = places.iter().enumerate().map(|(row, &k)| (k, student(row)));
    let worst = far.max_by(|a, b| a.1.total_cmp(&b.1))?;
    (worst.1 > OUTLIER).then_some(worst.0)
}

/// Puts together what is told of the valve.
fn finished(
    frame: &Frame,
    readings: &[Reading],
    deviations: &[[f64; 2]],
    (kept, aside): (&[bool], &[bool]),
    found: Fitted,
) -> Estimate {
    let z = found.minimum.z;
    let exact = frame.parameters(&z);
    let mut values = exact.clone();
    let mut touched = Vec::new();
    for j in 0..frame.list.len() {
        for name in frame.moves(j) {
            let known = touched.iter_mut().find(|t: &&mut (&str, bool)| t.0 == name);
            match known {
                Some(t) => t.1 |= found.moved[j],
                None => touched.push((name, found.moved[j])),
            }
        }
    }
    let params = frame.kind.model_params;
    let place = |name: &str| params.iter().position(|p| p.name == name);
    for (name, _) in &touched {
        let k = place(name).expect("of this kind");
        values[k] = rounded(values[k]);
    }
    let mut estimate = Estimate {
        values,
        z,
        moved: found.moved,
        parameters: Vec::new(),
        judged: Vec::new(),
        contradictions: contradictions(readings, deviations),
        rms: 0.0,
        covariance: found.covariance,
        frame: frame.clone(),
        cost: found.cost + SLIPPED * kept.iter().zip(aside).filter(|k| !k.0 && !k.1).count() as f64,
    };
    let parameter = |&(name, moved): &(&'static str, bool)| {
        let k = place(name).expect("of this kind");
        let spread = estimate.deviation(|values| values[k]);
        let value = estimate.values[k];
        let interval = match name {
            // Volts may have either sign.
            "vct" => (value - NINETY * spread, value + NINETY * spread),
            _ => around(value, spread),
        };
        Parameter {
            name,
            unit: params[k].unit,
            typical: frame.values[k],
            value,
            interval,
            moved,
        }
    };
    let mut parameters: Vec<Parameter> = touched.iter().map(parameter).collect();
    parameters.sort_by_key(|p| place(p.name));
    estimate.parameters = parameters;
    let bottle = estimate.bottle();
    let masks = kept.iter().zip(aside);
    let judged = readings.iter().zip(masks).map(|(r, (kept, aside))| Judged {
        reading: *r,
        model: bottle.at(r.state),
        interval: estimate.current(r.state).1,
        left_out: !kept && !aside,
        aside: *aside,
    });
    estimate.judged = judged.collect();
    let (sum, count) = estimate
        .told()
        .fold((0.0, 0.0), |(sum, count), (_, error)| {
            (sum + error * error, count + 1.0)
        });
    estimate.rms = (sum / f64::max(count, 1.0)).sqrt();
    estimate
}

/// Pairs of readings of which one has more volts everywhere and yet less current.
fn contradictions(readings: &[Reading], deviations: &[[f64; 2]]) -> Vec<Contradiction> {
    let mut found: Vec<(f64, Contradiction)> = Vec::new();
    for (a, higher) in readings.iter().enumerate() {
        for (b, lower) in readings.iter().enumerate() {
            let (h, l) = (higher.state, lower.state);
            let above = h.vpk >= l.vpk && h.vgk >= l.vgk && (h.vg2k.is_nan() || h.vg2k >= l.vg2k);
            if a == b || !above {
                continue;
            }
            let (x, y) = (deviations[a][0], deviations[b][0]);
            let by = (lower.plate - higher.plate) / (x * x + y * y).sqrt();
            if by > CONTRADICTION {
                found.push((by, (a.min(b), a.max(b))));
            }
        }
    }
    found.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    found.into_iter().map(|f| f.1).collect()
}
