//! Arguments, terminal output, JSON lines; no logic.

/// Runs the program.
pub fn main() -> std::process::ExitCode {
    std::process::ExitCode::SUCCESS
}
