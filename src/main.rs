//! Arguments and exit code; nothing else.

fn main() {}
