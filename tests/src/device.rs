//! Devices that behave otherwise in one thing only.

/// Inside an `impl Device`: all but the commands and their acknowledgment goes to the device in
/// this field.
#[macro_export]
macro_rules! otherwise_as {
    ($inner:ident) => {
        fn bus_reset(&mut self, now: payrig_units::Micros) {
            self.$inner.bus_reset(now);
        }
        fn power(&mut self, now: payrig_units::Micros, on: bool) {
            self.$inner.power(now, on);
        }
        fn next_deadline(&self) -> payrig_units::Micros {
            self.$inner.next_deadline()
        }
        fn wake(&mut self, now: payrig_units::Micros) {
            self.$inner.wake(now);
        }
        fn take_movements(&mut self) -> Vec<payrig_units::Movement> {
            self.$inner.take_movements()
        }
        fn take_notes(&mut self) -> Vec<String> {
            self.$inner.take_notes()
        }
    };
}
