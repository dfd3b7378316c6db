//! `--shard K/N`: a part of the work, so that several machines can share it.

use super::failure::Failure;

/// `K/N` of --shard.
pub fn part(text: &str) -> Result<(usize, usize), Failure> {
    let numbers = text
        .split_once('/')
        .and_then(|(k, n)| Some((k.trim().parse().ok()?, n.trim().parse().ok()?)));
    match numbers {
        Some((k, n)) if (1..=n).contains(&k) && n <= 100_000 => Ok((k, n)),
        _ => Err(
            Failure::usage(format!("`--shard {text}`: expected K/N with K from 1 to N"))
                .hint("expected K/N with K from 1 to N, for example `--shard 2/4`"),
        ),
    }
}
