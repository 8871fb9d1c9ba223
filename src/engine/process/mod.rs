//! Process calculations, each with the source of its formula.
