//! Numbers in and out: `4.7k`, `4k7` and `4700` are one number.
//!
//! In: the scale suffixes of the Berkeley netlists (T G MEG K MIL M U N P F,
//! unit letters after them ignored) and the value codes of IEC 60062, where the
//! letter stands in place of the decimal mark. Out: fixed digits with a prefix
//! for tables, all the digits that matter for CSV.

mod comma;
mod digit;
mod parse;
mod show;

pub use comma::comma_hint;
pub use digit::{last_digit, of_three_digits};
pub use parse::{Doubt, NumberError, Role, before_percent_sign, parse, parse_value, percent};
pub use show::{engineering, full, on_grid};
