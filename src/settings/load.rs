//! Reads files and the environment, strictly, then merges.
