//! What simulated apiaries share: dice, syrup by its parts, and the demo's colonies and sky. The
//! trial of the processing stage throws the same dice and keeps the same books, and has colonies and
//! a sky of its own: two truths stay two.
//!
//! ```
//! use larder_sim::colony::{Colony, Traits, Trouble};
//! use larder_sim::weather::Sky;
//! use larder_sim::{Dice, Syrup};
//! use larder_syrup::Strength;
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let traits = Traits {
//!     appetite_l_per_day: 1.2,
//!     bees_kg: 2.0,
//!     tare_kg: 22.0,
//!     stores_kg: 9.0,
//!     warmth_k: 5.0,
//!     capacity_l: 11.0,
//! };
//! let syrup = Syrup::of_litres(8.0, Strength::by_mass(2.0, 1.0)?);
//! let mut colony = Colony::new(traits, syrup, Dice::of(7, "blue hive"));
//! let warm_noon = Sky {
//!     air_c: 18.0,
//!     humidity_pct: 60.0,
//!     rain_mm_per_h: 0.0,
//!     wind_m_s: 1.0,
//!     irradiance_w_m2: 600.0,
//!     daylight: 1.0,
//! };
//! for _ in 0..6 {
//!     colony.step(1.0, &warm_noon, Trouble::default());
//! }
//! let gone = syrup.mass_kg() - colony.syrup.mass_kg();
//! assert!(gone > 0.1 && (gone - colony.ledger.taken_kg).abs() < 1e-9);
//! # Ok(())
//! # }
//! ```

pub mod colony;
pub mod dice;
pub mod syrup;
pub mod weather;

pub use dice::Dice;
pub use syrup::Syrup;
