//! Arguments in, exit code out.

use std::process::ExitCode;

fn main() -> ExitCode {
    ExitCode::from(gridleak::cli::run(std::env::args_os()).code())
}
