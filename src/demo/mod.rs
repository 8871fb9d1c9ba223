//! The virtual plant and the demonstration. Uses nothing of `engine` or `units`.
