//! Lists of names for messages.

/// Names in backticks, a long list cut.
pub fn list<'n>(names: impl Iterator<Item = &'n str>) -> String {
    let all: Vec<&str> = names.collect();
    let mut text: Vec<String> = all.iter().take(8).map(|n| format!("`{n}`")).collect();
    if all.len() > 8 {
        text.push(format!("and {} more", all.len() - 8));
    }
    text.join(", ")
}
