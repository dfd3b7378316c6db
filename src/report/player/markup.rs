//! The player's HTML. Without its script it is still a page: each sound with the browser's own
//! controls, the table, the waveforms and the spectra.

use super::charts;
use super::sounds::{Column, PlayedSound, Player, letter};
use crate::report::flac;
use crate::report::page::{base64, escaped};
use crate::report::wav::{Format, WavProblem, WavWriter};
use std::fmt::Write;
use std::io::Cursor;

/// The whole of it, under headings of this level.
pub fn markup(player: &Player<'_>, heading: u8) -> Result<String, WavProblem> {
    let sounds = player.sounds;
    let (rate, length) = sounds
        .first()
        .map_or((48_000, 0), |s| (s.clip.rate_hz, s.clip.samples.len()));
    let mut text = format!(
        "<section class=\"player\" data-rate=\"{rate}\" data-length=\"{length}\" \
         aria-label=\"Sounds\">\n"
    );
    text += &transport(length as f64 / f64::from(rate));
    text += "<ol class=\"sounds\">\n";
    for (k, sound) in sounds.iter().enumerate() {
        text += &row(k, sound)?;
    }
    text += "</ol>\n";
    text += &table(player);
    for note in player.notes {
        let _ = writeln!(text, "<p>{}</p>", escaped(note));
    }
    text += &charts::spectra(sounds, heading, &choices(sounds, 0));
    if sounds.len() > 1 {
        text += &blind(sounds, heading);
    }
    text += "</section>\n";
    Ok(text)
}

fn transport(seconds: f64) -> String {
    format!(
        r#"<div class="control" hidden>
<div class="row" role="group" aria-label="Play">
<button type="button" data-is="play" aria-keyshortcuts="Space">Play</button>
<button type="button" data-is="back" aria-keyshortcuts="Home">Back to start</button>
<label>Place <input type="range" data-is="place" min="0" max="{seconds}" step="0.01" value="0"> <output data-is="place-said">0.00 s</output></label>
<label>Level <input type="range" data-is="level" min="-40" max="0" step="1" value="-6"> <output data-is="level-said">-6 dB</output></label>
</div>
<div class="row" role="group" aria-label="Loop">
<label>Loop from <input type="number" data-is="from" min="0" max="{seconds}" step="0.01"></label>
<label>to <input type="number" data-is="to" min="0" max="{seconds}" step="0.01"> s</label>
<button type="button" data-is="unloop" disabled>No loop</button>
<label><input type="checkbox" data-is="keys" checked> Keys on</label>
</div>
<p class="quiet">Choose a sound by its letter: the place stays. Drag over a waveform to loop that part, click to go there.
Keys: letters choose, space plays and pauses, left and right move by a second, [ and ] set the ends of the loop, Escape ends it, + and - set the level.
Begin with the level low.</p>
<p data-is="said" role="alert"></p>
</div>
"#
    )
}

fn row(k: usize, sound: &PlayedSound) -> Result<String, WavProblem> {
    let name = escaped(&sound.name);
    let letter = letter(k);
    // Whichever is smaller: noise is not, as FLAC.
    let wav = wav(sound)?;
    let (kind, bytes) = match flac::packed(&wav).filter(|f| f.len() < wav.len()) {
        Some(flac) => ("flac", flac),
        None => ("wav", wav),
    };
    Ok(format!(
        "<li data-name=\"{name}\"><button type=\"button\" aria-pressed=\"false\" \
         aria-keyshortcuts=\"{letter}\"><span class=\"letter\">{letter}</span> {name}</button>\n\
         <div class=\"wave\">{}</div>\n\
         <audio controls preload=\"none\" aria-label=\"{letter}: {name}\" \
         src=\"data:audio/{kind};base64,{}\"></audio></li>\n",
        charts::waveform(&sound.clip, &format!("Waveform of {letter}")),
        base64(&bytes),
    ))
}

/// The sound as a WAV file of 16 bits.
fn wav(sound: &PlayedSound) -> Result<Vec<u8>, WavProblem> {
    let store = Cursor::new(Vec::new());
    let mut writer = WavWriter::new(store, sound.clip.rate_hz, Format::Int16)?;
    writer.write(&sound.clip.samples)?;
    Ok(writer.finish()?.1.into_inner())
}

fn table(player: &Player<'_>) -> String {
    let class = |column: &Column| {
        if column.is_number {
            " class=\"number\""
        } else {
            ""
        }
    };
    let mut text = String::from(
        "<div class=\"scrolls\" tabindex=\"0\" role=\"region\" aria-label=\"What the sounds are\">\
         <table>\n<thead><tr><th scope=\"col\">Sound</th><th scope=\"col\">What it is</th>",
    );
    for column in player.columns {
        let _ = write!(
            text,
            "<th scope=\"col\"{}>{}</th>",
            class(column),
            escaped(&column.head)
        );
    }
    text += "</tr></thead>\n<tbody>\n";
    for (k, sound) in player.sounds.iter().enumerate() {
        let _ = write!(
            text,
            "<tr><th scope=\"row\">{}</th><td>{}</td>",
            letter(k),
            escaped(&sound.name)
        );
        for (column, cell) in player.columns.iter().zip(&sound.cells) {
            let _ = write!(text, "<td{}>{}</td>", class(column), escaped(cell));
        }
        text += "</tr>\n";
    }
    text + "</tbody>\n</table></div>\n"
}

fn choices(sounds: &[PlayedSound], chosen: usize) -> String {
    let option = |(k, sound): (usize, &PlayedSound)| {
        let selected = if k == chosen { " selected" } else { "" };
        format!(
            "<option value=\"{k}\"{selected}>{}: {}</option>",
            letter(k),
            escaped(&sound.name)
        )
    };
    sounds.iter().enumerate().map(option).collect()
}

fn blind(sounds: &[PlayedSound], heading: u8) -> String {
    let (first, second) = (choices(sounds, 0), choices(sounds, 1));
    format!(
        r#"<section class="blind control" hidden aria-label="Blind test">
<h{heading}>Blind test</h{heading}>
<p>X is one of two sounds, drawn anew in each trial. Listen as often and as long as you like, then say which one it is. Settle on the number of trials first: what counts is the score at the end.</p>
<div class="row">
<label>First <select data-is="first">{first}</select></label>
<label>Second <select data-is="second">{second}</select></label>
<label>Trials <input type="number" data-is="trials" min="16" max="200" step="1" value="16"></label>
<button type="button" data-is="start-test">Start the test</button>
</div>
<p data-is="test-said" role="alert"></p>
<div data-is="running" hidden>
<div class="row" role="group" aria-label="Listen">
<button type="button" data-is="hear-first" aria-pressed="false">Play</button>
<button type="button" data-is="hear-second" aria-pressed="false">Play</button>
<button type="button" data-is="hear-x" aria-pressed="false" aria-keyshortcuts="X">Play X</button>
</div>
<div class="row" role="group" aria-label="Answer">
<button type="button" data-is="say-first" aria-keyshortcuts="1" disabled>X is</button>
<button type="button" data-is="say-second" aria-keyshortcuts="2" disabled>X is</button>
</div>
<p class="score" data-is="score" role="status"></p>
<p class="quiet">Keys: X plays X, 1 and 2 answer for the first and the second. An answer is taken once X has been heard.</p>
</div>
<div data-is="done" hidden>
<label>Result <textarea data-is="result" rows="10" readonly></textarea></label>
<p><button type="button" data-is="copy">Copy the result</button></p>
</div>
</section>
"#
    )
}
