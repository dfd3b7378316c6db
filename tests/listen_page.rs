//! The page of `gridleak listen` in a real browser: what it plays, and what it does under hands.

#[path = "common/browser.rs"]
mod browser;
mod common;

use browser::Browser;
use common::Gridleak;
use gridleak::audio::loudness::Loudness;
use gridleak::report::wav::{Format, WavWriter};
use serde_json::Value;
use std::f64::consts::TAU;
use std::fs::File;
use std::path::{Path, PathBuf};

const RATE_HZ: u32 = 48_000;

fn write(path: &Path, rate_hz: u32, samples: &[f64]) {
    let file = File::create(path).expect("a file");
    let mut writer = WavWriter::new(file, rate_hz, Format::Float32).expect("a header");
    writer.write(samples).expect("written");
    writer.finish().expect("finished");
}

fn sound(rate_hz: u32, seconds: f64, of: impl Fn(f64) -> f64) -> Vec<f64> {
    let count = (seconds * f64::from(rate_hz)) as usize;
    (0..count)
        .map(|n| of(n as f64 / f64::from(rate_hz)))
        .collect()
}

/// A string that is plucked twice a second.
fn pluck(t: f64) -> f64 {
    let since = t % 0.5;
    (-6.0 * since).exp() * (TAU * 196.0 * t).sin()
}

/// A page of sounds, in a folder that lasts as long.
struct Page {
    _folder: tempfile::TempDir,
    path: PathBuf,
}

impl Page {
    fn of(sounds: &[(&str, u32, Vec<f64>)]) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("page.html");
        let mut run = Gridleak::command("listen").unaudited();
        for (name, rate_hz, samples) in sounds {
            let file = folder.path().join(name);
            write(&file, *rate_hz, samples);
            run = run.path(&file);
        }
        let ran = run.option("--out", path.to_str().unwrap()).run();
        assert_eq!(ran.status, 0, "{}", ran.stderr);
        Page {
            _folder: folder,
            path,
        }
    }

    /// Three sounds: one clean, one quieter and overdriven, one at another rate and longer.
    fn usual() -> Self {
        Page::of(&[
            (
                "clean.wav",
                RATE_HZ,
                sound(RATE_HZ, 2.0, |t| 0.8 * pluck(t)),
            ),
            (
                "driven.wav",
                RATE_HZ,
                sound(RATE_HZ, 2.0, |t| 0.1 * (8.0 * pluck(t)).tanh()),
            ),
            ("other.wav", 44_100, sound(44_100, 2.3, |t| 0.05 * pluck(t))),
        ])
    }

    fn open(&self) -> Browser {
        let mut browser = Browser::start();
        browser.size(1280, 1000);
        browser.open(&self.path);
        browser
    }
}

/// What a deck of the page plays in an offline context of this length, after `script` has set
/// `deck` going.
fn rendered(browser: &mut Browser, seconds: f64, script: &str) -> Vec<f64> {
    let value = browser.value(&format!(
        "(async () => {{
            const player = players[0];
            const buffers = await player.decoded();
            const context = new OfflineAudioContext(1, {} , {RATE_HZ});
            const deck = new player.Deck(context, buffers);
            {script}
            const found = (await context.startRendering()).getChannelData(0);
            const bytes = new Uint8Array(found.buffer);
            let text = '';
            for (let k = 0; k < bytes.length; k += 8192)
                text += String.fromCharCode(...bytes.subarray(k, k + 8192));
            return btoa(text);
        }})()",
        (seconds * f64::from(RATE_HZ)) as usize
    ));
    let text = value.as_str().expect("samples");
    let digit = |c: u8| match c {
        b'A'..=b'Z' => c - b'A',
        b'a'..=b'z' => c - b'a' + 26,
        b'0'..=b'9' => c - b'0' + 52,
        b'+' => 62,
        _ => 63,
    };
    let mut bytes = Vec::new();
    let (mut held, mut bits) = (0u32, 0);
    for c in text.bytes().filter(|&c| c != b'=') {
        held = held << 6 | u32::from(digit(c));
        bits += 6;
        if bits >= 8 {
            bits -= 8;
            bytes.push((held >> bits) as u8);
        }
    }
    let (words, _) = bytes.as_chunks::<4>();
    words
        .iter()
        .map(|w| f64::from(f32::from_le_bytes(*w)))
        .collect()
}

/// No errors, and nothing asked for but the page itself.
#[track_caller]
fn content(browser: &mut Browser) {
    browser.value("1");
    assert!(browser.complaints.is_empty(), "{:?}", browser.complaints);
    let others: Vec<&String> = browser
        .requests
        .iter()
        // The browser draws its own controls with data of its own.
        .filter(|r| {
            !["file:", "data:", "about:"]
                .iter()
                .any(|own| r.starts_with(own))
        })
        .collect();
    assert!(others.is_empty(), "{others:?}");
    let files = browser.requests.iter().filter(|r| r.starts_with("file:"));
    assert!(files.count() <= 1, "{:?}", browser.requests);
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value}"))
}

/// Loudness: ITU-R BS.1770-4, by the `ebur128` library on what the browser renders.
#[test]
fn sounds_decode_and_are_equally_loud() {
    let page = Page::usual();
    let mut browser = page.open();
    let lengths = browser.value("players[0].decoded().then(all => all.map(b => b.length))");
    assert_eq!(lengths, serde_json::json!([96_000, 96_000, 96_000]));
    let mut loud = Vec::new();
    for k in 0..3 {
        let start = format!("deck.start({k}, 0, null, 0);");
        let played = rendered(&mut browser, 2.0, &start);
        assert_eq!(played.len(), 96_000);
        let peak = played.iter().fold(0.0, |p: f64, x| p.max(x.abs()));
        assert!(peak < 1.0, "{peak}");
        let mut meter = Loudness::new(RATE_HZ);
        meter.push(&played);
        loud.push(meter.integrated_lufs().expect("loud enough"));
    }
    let (low, high) = (
        loud.iter().copied().fold(f64::MAX, f64::min),
        loud.iter().copied().fold(f64::MIN, f64::max),
    );
    assert!(high - low < 0.2, "{loud:?}");
    content(&mut browser);
}

#[test]
fn a_change_over_keeps_the_place_and_leaves_no_gap() {
    // Clicks ten times a second on a hum, up in one sound and down in the other.
    let click = |sign: f64| {
        let mut samples = vec![0.0; 96_000];
        samples
            .iter_mut()
            .step_by(4800)
            .for_each(|x| *x = 0.5 * sign);
        samples
    };
    let page = Page::of(&[
        ("up.wav", RATE_HZ, click(1.0)),
        ("down.wav", RATE_HZ, click(-1.0)),
    ]);
    let mut browser = page.open();
    // From the place 0.25 s; the other sound after 0.73 s, in the middle of nothing.
    let played = rendered(
        &mut browser,
        1.5,
        "deck.start(0, 0.25, null, 0); deck.pick(1, 0.73);",
    );
    let seen: Vec<(usize, f64)> = played
        .iter()
        .enumerate()
        .filter(|(_, x)| x.abs() > 0.01)
        .map(|(n, x)| (n, x.signum()))
        .collect();
    assert_eq!(seen.len(), 15, "{seen:?}");
    for (k, (n, sign)) in seen.iter().enumerate() {
        let expected = 0.05 + 0.1 * k as f64;
        let off = *n as f64 / f64::from(RATE_HZ) - expected;
        assert!(off.abs() < 1e-3, "click {k} is {off} s off");
        assert_eq!(*sign, if expected < 0.73 { 1.0 } else { -1.0 }, "click {k}");
    }
    // In a loop of 0.3 s the clicks come back.
    let played = rendered(&mut browser, 1.0, "deck.start(0, 0.05, [0.05, 0.35], 0);");
    let clicks = played.iter().filter(|x| x.abs() > 0.01).count();
    assert_eq!(clicks, 10, "three in each round of the loop");

    // Two sounds that are the same: what comes through is the same as one of them.
    let hum = || sound(RATE_HZ, 2.0, |t| 0.3 * (TAU * 110.0 * t).sin());
    let page = Page::of(&[("a.wav", RATE_HZ, hum()), ("b.wav", RATE_HZ, hum())]);
    browser.open(&page.path);
    let alone = rendered(&mut browser, 1.0, "deck.start(0, 0, null, 0);");
    let changed = rendered(
        &mut browser,
        1.0,
        "deck.start(0, 0, null, 0); deck.pick(1, 0.5); deck.pick(0, 0.502); deck.pick(1, 0.7);",
    );
    let worst = alone
        .iter()
        .zip(&changed)
        .map(|(a, b)| (a - b).abs())
        .fold(0.0, f64::max);
    // Sixteen bits, and the fade of the very start, which both have.
    assert!(worst < 1e-3, "{worst}");
}

#[test]
fn keys_and_the_mouse_choose_seek_and_loop() {
    let page = Page::usual();
    let mut browser = page.open();
    browser.click("[data-is=play]");
    browser.until("players[0].state.playing && players[0].place() > 0.05");
    // Changed over in one breath: the place is the same to the sample. The sound card's clock may
    // tick in between, so it is the least of several times that counts.
    let change = browser.value(
        "(() => { const p = players[0];
           let least = Infinity;
           for (const key of ['b', 'a', 'b', 'a', 'b', 'a', 'b']) {
             const before = p.place();
             document.body.dispatchEvent(new KeyboardEvent('keydown', { key, bubbles: true }));
             least = Math.min(least, Math.abs(p.place() - before));
           }
           return [least, p.state.now]; })()",
    );
    assert_eq!(change[1], 1);
    assert!(number(&change[0]) < 1e-3, "{change}");
    let pressed = "[...document.querySelectorAll('.sounds button')]
        .map(b => b.getAttribute('aria-pressed')).join()";
    assert_eq!(browser.value(pressed), "false,true,false");
    browser.key("c");
    assert_eq!(browser.value(pressed), "false,false,true");
    browser.click(".sounds li:nth-child(1) button");
    assert_eq!(browser.value(pressed), "true,false,false");
    // The button has the focus; the space bar still pauses.
    browser.key(" ");
    browser.until("!players[0].state.playing");
    assert_eq!(
        browser.value("document.querySelector('[data-is=play]').textContent"),
        "Play"
    );
    browser.key("Home");
    assert_eq!(number(&browser.value("players[0].place()")), 0.0);
    browser.key("ArrowRight");
    assert_eq!(number(&browser.value("players[0].place()")), 1.0);
    // A click seeks, dragging loops.
    browser.drag(".wave", 0.25, 0.25);
    let place = number(&browser.value("players[0].place()"));
    assert!((place - 0.5).abs() < 0.02, "{place}");
    browser.drag(".wave", 0.75, 0.5);
    let ends = browser.value("players[0].state.loop");
    assert!((number(&ends[0]) - 1.0).abs() < 0.02, "{ends}");
    assert!((number(&ends[1]) - 1.5).abs() < 0.02, "{ends}");
    assert_eq!(
        browser.value("document.querySelector('[data-is=from]').value.slice(0, 2)"),
        "1."
    );
    // It plays within the loop.
    browser.key(" ");
    browser.until("players[0].state.playing");
    for _ in 0..10 {
        let place = number(&browser.value("players[0].place()"));
        assert!((0.98..=1.52).contains(&place), "{place}");
    }
    browser.key(" ");
    browser.key("Escape");
    assert_eq!(browser.value("players[0].state.loop"), Value::Null);
    // Keys off: letters do nothing.
    browser.click("[data-is=keys]");
    browser.key("b");
    assert_eq!(browser.value(pressed), "true,false,false");
    browser.click("[data-is=keys]");
    // The level by key, and spectra against another sound.
    let level = number(&browser.value("Number(document.querySelector('[data-is=level]').value)"));
    browser.key("-");
    let after = number(&browser.value("Number(document.querySelector('[data-is=level]').value)"));
    assert_eq!(after, level - 1.0);
    let flat = |k: usize| {
        format!(
            "(() => {{ const s = document.querySelector('[data-is=against]'); s.value = '{k}';
               s.dispatchEvent(new Event('change'));
               return [...document.querySelectorAll('.difference .curve')].map(c =>
                 new Set(c.getAttribute('points').split(' ').map(p => p.split(',')[1])).size === 1);
               }})()"
        )
    };
    assert_eq!(browser.value(&flat(1))[1], true);
    let zero = browser.value(&flat(0));
    assert_eq!(
        (&zero[0], &zero[1]),
        (&Value::Bool(true), &Value::Bool(false))
    );
    content(&mut browser);
}

/// Probability: the binomial distribution's tail, counted in whole numbers here.
#[test]
fn the_blind_test_counts_right() {
    let page = Page::usual();
    let mut browser = page.open();
    let text = |what: &str| format!("document.querySelector('[data-is={what}]').textContent");
    // Fewer than 16 trials are refused.
    browser.value("document.querySelector('[data-is=trials]').value = '15'; 1");
    browser.click("[data-is=start-test]");
    let refused = browser.value(&text("test-said"));
    assert!(
        refused.as_str().unwrap().contains("16 trials at least"),
        "{refused}"
    );
    browser.value("document.querySelector('[data-is=trials]').value = '16'; 1");
    browser.click("[data-is=start-test]");
    let disabled = "document.querySelector('[data-is=say-first]').disabled";
    for trial in 0..16 {
        assert_eq!(browser.value(disabled), true, "X has not been heard yet");
        if trial % 2 == 0 {
            browser.click("[data-is=hear-x]");
        } else {
            browser.key("x");
        }
        browser.until(&format!("!{disabled}"));
        // Nothing on the page shows which of the two it is.
        let shown = browser.value("document.querySelectorAll('.now').length");
        assert_eq!(shown, 0);
        let x = number(&browser.value("players[0].test().x"));
        let is_right = trial < 12;
        if (x == 0.0) == is_right {
            browser.click("[data-is=say-first]");
        } else {
            browser.key("2");
        }
        let score = browser.value(&text("score"));
        let expected = format!("{} of {} right", (trial + 1).min(12), trial + 1);
        assert!(score.as_str().unwrap().contains(&expected), "{score}");
    }
    let choose = |n: u64, k: u64| (0..k).fold(1, |c, j| c * (n - j) / (j + 1));
    let tail: u64 = (12..=16).map(|k| choose(16, k)).sum();
    let percent = format!("{:.2} %", 100.0 * tail as f64 / 65_536.0);
    assert_eq!(percent, "3.84 %");
    let result = browser.value("document.querySelector('[data-is=result]').value");
    let result = result.as_str().expect("text");
    for part in [
        "12 of 16 right",
        &percent,
        "A: clean.wav",
        "B: driven.wav",
        "16. X was",
    ] {
        assert!(result.contains(part), "{part}: {result}");
    }
    assert_eq!(result.matches(": wrong").count(), 4);
    for (right, trials) in [(0, 16), (16, 16), (8, 20), (20, 20), (60, 100)] {
        let found = number(&browser.value(&format!("players[0].byGuessing({right}, {trials})")));
        let tail: f64 = (right..=trials)
            .map(|k| {
                let c = (0..k).fold(1.0, |c, j| c * f64::from(trials - j) / f64::from(j + 1));
                c / 2f64.powi(trials)
            })
            .sum();
        assert!(
            (found - tail).abs() < 1e-12,
            "{right} of {trials}: {found} {tail}"
        );
    }
    content(&mut browser);
}

/// Contrast: WCAG 2.1, success criterion 1.4.3, with its relative luminance.
#[test]
fn nothing_overlaps_and_all_text_can_be_read() {
    let page = Page::usual();
    let mut browser = page.open();
    browser.click("[data-is=start-test]");
    browser.value("document.querySelector('details').open = true; 1");
    for width in [1280, 400] {
        browser.size(width, 900);
        let overlaps = browser.value(
            "(() => {
            const seen = [...document.querySelectorAll('h1,h2,p,button,input,select,output,' +
                'textarea,.wave,table,.chart svg,.legend li,figcaption,.chart text')]
                .filter(e => e.checkVisibility() && e.getBoundingClientRect().width > 0);
            const box = e => e.getBoundingClientRect();
            const bad = [];
            seen.forEach((a, k) => seen.slice(k + 1).forEach(b => {
                if (a.contains(b) || b.contains(a)) return;
                const p = box(a), q = box(b);
                const w = Math.min(p.right, q.right) - Math.max(p.left, q.left);
                const h = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
                if (w > 1 && h > 1) bad.push([a.outerHTML.slice(0, 80), b.outerHTML.slice(0, 80)]);
            }));
            seen.forEach(e => {
                if (!e.closest('.scrolls') && box(e).right > innerWidth + 0.5)
                    bad.push(['too wide', e.outerHTML.slice(0, 80)]);
            });
            if (document.documentElement.scrollWidth > innerWidth) bad.push('the page scrolls sideways');
            return bad; })()",
        );
        assert_eq!(overlaps, serde_json::json!([]), "{width} px");
    }
    for scheme in ["light", "dark"] {
        browser.look("screen", scheme);
        let faint = browser.value(
            "(() => {
            const colour = text => text.match(/[\\d.]+/g).map(Number);
            const light = c => { const l = c.slice(0, 3).map(v => v / 255).map(v =>
                v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
                return 0.2126 * l[0] + 0.7152 * l[1] + 0.0722 * l[2]; };
            const behind = e => { for (; e; e = e.parentElement) {
                const c = colour(getComputedStyle(e).backgroundColor);
                if (c.length < 4 || c[3] > 0) return c; } return [255, 255, 255]; };
            const ratio = (a, b) => { const [x, y] = [light(a), light(b)].sort((p, q) => q - p);
                return (x + 0.05) / (y + 0.05); };
            const bad = [];
            for (const e of document.querySelectorAll('h1,h2,p,button,label,td,th,li,summary,' +
                    'figcaption,.chart text,textarea,select,input,output')) {
                if (!e.checkVisibility()) continue;
                const style = getComputedStyle(e);
                const r = ratio(colour(e.matches('text') ? style.fill : style.color), behind(e));
                if (r < 4.5) bad.push([r, e.outerHTML.slice(0, 80)]);
            }
            for (const e of document.querySelectorAll('.curve,.wave svg')) {
                const style = getComputedStyle(e);
                const r = ratio(colour(e.matches('.curve') ? style.stroke : style.fill), behind(e));
                if (r < 3) bad.push([r, e.outerHTML.slice(0, 80)]);
            }
            return bad; })()",
        );
        assert_eq!(faint, serde_json::json!([]), "{scheme}");
    }
    // On paper the table and the spectra are left, and nothing to press.
    browser.look("print", "light");
    let left = browser.value(
        "['table', '.spectrum svg', '.difference svg', '.wave svg', '[data-is=play]', 'audio', '.blind']
            .map(s => document.querySelector(s).checkVisibility())",
    );
    assert_eq!(
        left,
        serde_json::json!([true, true, true, true, false, false, false])
    );
    content(&mut browser);
}
