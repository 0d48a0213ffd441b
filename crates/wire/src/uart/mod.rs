//! Nine-bit words on a line (MDB/ICP 4.3, section 2.1): edges to words and back, and the bit rate
//! as it really is.

mod bit_time;
mod bus;
mod encode;
mod rate;
mod sample;
mod swapped;

pub use bit_time::BitTime;
pub use bus::{BusDecode, BusLines, decode_bus};
pub use encode::{capture_of_bus, encode};
pub use rate::{BitRate, measure_rate, nearest_standard_rate};
pub use sample::{IdleLevel, Sampled, sample};
