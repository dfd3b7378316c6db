//! The sounds of the book: `listen`'s own player, as it is, in a page that is mostly paper. On
//! paper its controls are left out; table, waveforms and spectra stay.

use super::answer::Answer;
use crate::report::player;

/// The player on the page that `listen` made, its headings one below the section's.
pub fn markup(answer: &Answer) -> String {
    let page = answer.picture.as_deref().unwrap_or_default();
    // Names on the page are escaped: these marks are the page's own.
    let own = page.split_once("</h1>\n").map_or("", |p| p.1);
    let own = own.split_once("</main>").map_or("", |p| p.0);
    own.replace("<h2>", "<h3>").replace("</h2>", "</h3>")
}

/// Its styles. The book is paper, and white in the dark too.
pub fn style() -> String {
    player::STYLE.replace("screen and (prefers-color-scheme: dark)", "not all")
}
