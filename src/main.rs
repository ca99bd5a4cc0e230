//! Starts the command line.

fn main() -> std::process::ExitCode {
    norlock::cli::main()
}
