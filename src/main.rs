//! Arguments and exit code; nothing else.

fn main() -> std::process::ExitCode {
    permeated::cli::main()
}
