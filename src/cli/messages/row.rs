//! A row of the messages, and rows made of a kind of problem.

/// One message.
pub struct MessageRow {
    /// As the tool prints it, with an example's names.
    pub message: String,
    /// Whether the work goes on.
    pub is_warning: bool,
    /// How it comes about.
    pub cause: &'static str,
    /// What the tool itself advises.
    pub hint: Option<String>,
    /// What to do, where the hint does not say it.
    pub remedy: &'static str,
}

/// Rows of one kind of problem: an example of each variant, its cause and, where the hint does
/// not say it, what to do.
macro_rules! rows {
    ($problem:ident, $text:expr, $warns:expr, $hint:expr;
     $($variant:ident { $($field:tt : $value:expr),* } => $cause:literal $(, $remedy:literal)?;)*) => {
        fn explain(problem: &$problem) -> (&'static str, &'static str) {
            match problem {
                $($problem::$variant { .. } => ($cause, concat!($($remedy)?)),)*
            }
        }

        /// A row for each variant.
        pub(in crate::cli::messages) fn rows() -> Vec<$crate::cli::messages::row::MessageRow> {
            let examples = vec![$($problem::$variant { $($field: $value),* }),*];
            let row = |problem: $problem| {
                let (cause, remedy) = explain(&problem);
                $crate::cli::messages::row::MessageRow {
                    message: $text(&problem),
                    is_warning: $warns(&problem),
                    cause,
                    hint: $hint(&problem),
                    remedy,
                }
            };
            examples.into_iter().map(row).collect()
        }
    };
}
pub(super) use rows;

/// An example's text.
pub(super) fn s(text: &str) -> String {
    text.to_string()
}
