//! The real daemon on a real broker: start, spoiled product, deaths and what is remembered.

#[path = "../support/mod.rs"]
mod support;

mod life;
mod protect;
mod site;
