//! Names of enums in files, parameters, diagnostics and recordings: one list per enum serves all.

/// Gives an enum `ALL` (its values in the order of their numbers), `NAMES` (their names in the same
/// order) and `name`. A list in another order than the enum's does not compile.
macro_rules! names {
    ($kind:ident { $($value:ident => $name:literal),+ $(,)? }) => {
        impl $kind {
            /// All values, in the order of their numbers.
            pub const ALL: [Self; Self::NAMES.len()] = [$(Self::$value),+];

            /// The names of all values, in the same order.
            pub const NAMES: &'static [&'static str] = &[$($name),+];

            /// Returns the name in files, parameters, diagnostics and recordings.
            pub const fn name(self) -> &'static str {
                Self::NAMES[self as usize]
            }
        }

        const _: () = {
            let mut i = 0;
            while i < $kind::ALL.len() {
                assert!($kind::ALL[i] as usize == i);
                i += 1;
            }
        };
    };
}

pub(super) use names;
