//! Shares of what was found, and how sure the answers were.

use gridleak::faults::diagnosis::Answer;

/// What became of one fault.
#[derive(Debug)]
pub struct Told {
    /// The answer that names it.
    pub place: Option<usize>,
    /// Its place among all causes by themselves, those that read the same within four places as
    /// one.
    pub strict: Option<usize>,
    /// Whether the first cause of the first answer is the fault, or reads the same within four
    /// places.
    pub leader: bool,
    /// Whether it is the fault by name.
    pub named: bool,
    /// How many names the first answer has, if it is a fault.
    pub size: usize,
    /// The first answer's probability.
    pub answer: f64,
    /// That of its first cause and what reads the same within four places.
    pub cause: f64,
}

/// By the tenth of a probability: how many, right ones, the sum of the probabilities.
type Tenths = [(usize, usize, f64); 10];

/// What came out.
#[derive(Debug, Default)]
pub struct Outcome {
    pub faults: usize,
    named: usize,
    leaders: usize,
    strict_threes: usize,
    firsts: usize,
    threes: usize,
    /// Of the first answers that are a fault.
    names: usize,
    named_answers: usize,
    pub invisible: usize,
    amplifiers: usize,
    sounds: usize,
    pub missed: Vec<String>,
    /// Right and not sure of it.
    pub modest: Vec<String>,
    /// First answers with their alternatives.
    answers: Tenths,
    /// First causes alone.
    causes: Tenths,
}

fn share(part: usize, whole: usize) -> f64 {
    part as f64 / whole.max(1) as f64
}

fn enter(tenths: &mut Tenths, probability: f64, right: bool) {
    let cell = &mut tenths[((probability * 10.0) as usize).min(9)];
    *cell = (
        cell.0 + 1,
        cell.1 + usize::from(right),
        cell.2 + probability,
    );
}

impl Outcome {
    pub fn enter(&mut self, told: &Told) {
        self.faults += 1;
        self.named += usize::from(told.named);
        self.leaders += usize::from(told.leader);
        self.strict_threes += usize::from(told.strict.is_some_and(|p| p < 3));
        self.firsts += usize::from(told.place == Some(0));
        self.threes += usize::from(told.place.is_some_and(|p| p < 3));
        if told.size > 0 {
            self.names += told.size;
            self.named_answers += 1;
        }
        enter(&mut self.answers, told.answer, told.place == Some(0));
        enter(&mut self.causes, told.cause, told.leader);
    }

    pub fn enter_sound(&mut self, first: &Answer, right: bool) {
        self.amplifiers += 1;
        self.sounds += usize::from(right);
        enter(&mut self.answers, first.probability, right);
        enter(&mut self.causes, first.causes[0].probability, right);
    }

    /// True cause first, alternatives within four places counted.
    pub fn first(&self) -> f64 {
        share(self.leaders, self.faults)
    }

    /// True cause among the first three.
    pub fn three(&self) -> f64 {
        share(self.strict_threes, self.faults)
    }

    /// Sound amplifiers called sound.
    pub fn sound(&self) -> f64 {
        share(self.sounds, self.amplifiers)
    }

    pub fn text(&self) -> String {
        let of = |part: usize| 100.0 * share(part, self.faults);
        let mut text = format!(
            "{} faults: first {:.1} % (by name {:.1} %), among the first three causes {:.1} %\n\
             in the first answer {:.1} %, in the first three {:.1} %, {:.2} names in the first; \
             {} that do not show left out\n{} sound amplifiers: called sound {:.1} %\n",
            self.faults,
            of(self.leaders),
            of(self.named),
            of(self.strict_threes),
            of(self.firsts),
            of(self.threes),
            share(self.names, self.named_answers),
            self.invisible,
            self.amplifiers,
            100.0 * self.sound()
        );
        for (what, tenths) in [("answer", &self.answers), ("cause", &self.causes)] {
            for (n, right, sum) in tenths.iter().filter(|s| s.0 > 0) {
                let said = sum / *n as f64;
                let right = share(*right, *n);
                text += &format!("  {what} said {said:.2}: right {right:.2} of {n}\n");
            }
        }
        text += &self.missed.join("\n");
        if self.faults > 20 && !self.modest.is_empty() {
            text += &format!("\nright below 90 %:\n{}", self.modest.join("\n"));
        }
        text
    }

    /// How sure the answers were against how often they were right, as a picture.
    pub fn picture(&self) -> String {
        use gridleak::report::svg::{Svg, length};
        let style =
            "text { font: 12px sans-serif } line { stroke: #bbb } circle { fill: #1f5fa8 }\n";
        let mut svg = Svg::new(460.0, 470.0, "How often the first cause is right", style);
        let place = |p: f64, up: bool| {
            if up {
                420.0 - 380.0 * p
            } else {
                50.0 + 380.0 * p
            }
        };
        let mut text = |x: f64, y: f64, words: &str| {
            svg.with_text("text", &[("x", &length(x)), ("y", &length(y))], words);
        };
        text(
            50.0,
            24.0,
            "How often the first cause is right (circles: number of cases)",
        );
        for tenth in 0..=5 {
            let p = f64::from(tenth) / 5.0;
            text(place(p, false) - 8.0, 440.0, &format!("{p:.1}"));
            text(20.0, place(p, true) + 4.0, &format!("{p:.1}"));
        }
        text(190.0, 460.0, "probability said");
        let corner = |p: f64| (length(place(p, false)), length(place(p, true)));
        let ((x1, y1), (x2, y2)) = (corner(0.0), corner(1.0));
        svg.element(
            "line",
            &[("x1", &x1), ("y1", &y1), ("x2", &x2), ("y2", &y2)],
        );
        for (n, right, sum) in self.causes.iter().filter(|s| s.0 > 0) {
            let x = length(place(sum / *n as f64, false));
            let y = length(place(share(*right, *n), true));
            let r = length(3.0 + (*n as f64).sqrt());
            svg.element("circle", &[("cx", &x), ("cy", &y), ("r", &r)]);
        }
        svg.finish()
    }
}
