//! larder
fn main() {}
