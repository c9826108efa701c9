//! Small invented yards, told hour by hour, and what must and must not be said of them.

mod kinds;
mod promises;
mod scene;
mod sources;
