//! One way to declare a device's named wrong behaviours.

/// Declares a `Quirks` struct of switches, all off by default, with their names as rigs write them
/// (kebab-case) and a way to set one by its name.
macro_rules! quirks {
    (
        $(#[$about:meta])*
        pub struct Quirks {
            $($(#[$doc:meta])* $name:ident = $kebab:literal,)*
        }
    ) => {
        $(#[$about])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
        #[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
        pub struct Quirks {
            $($(#[$doc])* pub $name: bool,)*
        }

        impl Quirks {
            /// Every quirk's name, as rigs write it.
            pub const NAMES: &'static [&'static str] = &[$($kebab),*];

            /// The switch of a quirk by its name in kebab-case; `None` for a name that is none.
            pub fn switch(&mut self, name: &str) -> Option<&mut bool> {
                match name {
                    $($kebab => Some(&mut self.$name),)*
                    _ => None,
                }
            }

            /// Sets a quirk by its name in kebab-case; false for a name that is none.
            pub fn set(&mut self, name: &str, on: bool) -> bool {
                self.switch(name).map(|switch| *switch = on).is_some()
            }
        }
    };
}

pub(crate) use quirks;
