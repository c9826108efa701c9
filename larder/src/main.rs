//! Larder: from a sensor's message to what a keeper should do next.

fn main() {}
mod broker;
mod clock;
mod failure;
mod output;
mod pipeline;
mod settings;
