//! Valve types as drawings and catalogues write them: `6V6` for the 6V6GT, `5751WA` for a 5751,
//! `12AX7/ECC83`.

/// Characters that a name has before it is taken for a type.
const LEAST: usize = 3;

/// The type that a builder means by a name which is none of them: the same without a letter or two
/// at its end, or one of two names with a stroke between. Types with `_` in their names are other
/// models of the same valve and never meant.
pub fn meant<'a>(name: &str, types: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let types: Vec<&str> = types.into_iter().filter(|t| !t.contains('_')).collect();
    let is = |text: &str| types.iter().copied().find(|t| t.eq_ignore_ascii_case(text));
    if name.contains('/') {
        let known = name.split('/').find_map(|part| is(part.trim()));
        return known.or_else(|| {
            name.split('/')
                .find_map(|part| lettered(part.trim(), &types))
        });
    }
    is(name).or_else(|| lettered(name, &types))
}

/// The type that differs in letters at the end alone.
fn lettered<'a>(name: &str, types: &[&'a str]) -> Option<&'a str> {
    let has = |kind: fn(&u8) -> bool| name.bytes().any(|b| kind(&b));
    if name.len() < LEAST || !has(u8::is_ascii_digit) || !has(u8::is_ascii_alphabetic) {
        return None;
    }
    // What is left of the longer name behind the shorter one.
    let left = |long: &str, short: &str| {
        let (head, tail) = long.split_at_checked(short.len())?;
        let is_tail = !tail.is_empty() && tail.bytes().all(|b| b.is_ascii_alphabetic());
        (head.eq_ignore_ascii_case(short) && is_tail).then_some(tail.len())
    };
    let longer = types
        .iter()
        .filter(|t| left(t, name).is_some_and(|n| n <= 3));
    let shorter = types
        .iter()
        .filter(|t| t.len() >= LEAST && left(name, t).is_some_and(|n| n <= 3));
    longer
        .min_by_key(|t| (t.len(), t.to_string()))
        .or_else(|| shorter.max_by_key(|t| t.len()))
        .copied()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::circuit::library;

    #[test]
    fn types_are_known_by_the_names_on_drawings() {
        let shipped = library::shipped();
        let types = || shipped.iter().map(|v| v.name.as_str());
        for (name, found) in [
            ("6V6", Some("6V6GT")),
            ("6L6", Some("6L6GC")),
            ("6L6GB", None),
            ("5U4", Some("5U4GB")),
            ("5U4G", Some("5U4GB")),
            ("6550A", Some("6550")),
            ("5751WA", Some("5751")),
            ("12ax7a", Some("12AX7")),
            ("12AX7WA", Some("12AX7")),
            ("12AX7/ECC83", Some("12AX7")),
            ("ECC83/12AX7", Some("ECC83")),
            ("5881/6L6", Some("5881")),
            ("E34L", None),
            ("100k", None),
            ("1meg", None),
            ("500K", None),
            ("300", None),
        ] {
            assert_eq!(meant(name, types()), found, "{name}");
        }
    }
}
