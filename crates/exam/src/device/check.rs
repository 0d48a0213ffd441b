//! A check of a device.

use super::{Bench, Setup};
use crate::check::Check;

/// A check of a device, and a misbehaviour that it catches.
pub type DeviceCheck = Check<Bench, Setup>;
