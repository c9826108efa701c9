//! Small invented yards, told hour by hour, and what must and must not be said of them.

mod appetite;
mod flow;
mod happenings;
mod kinds;
mod losses;
mod promises;
mod scene;
mod sources;
mod told;
