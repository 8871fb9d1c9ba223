//! Rules that cross fields; reports every problem at once.
