//! The 39 phones of American English as CMUdict writes them (ARPAbet), stress left out.

use std::fmt;

macro_rules! phones {
    ($($name:ident),+ $(,)?) => {
        /// One phone, by its ARPAbet symbol without the stress mark.
        ///
        /// Source: the symbol list of CMUdict (`cmudict.phones`), 39 symbols.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[repr(u8)]
        // The names are the symbols of the published list, which explains each by an example.
        #[allow(missing_docs, clippy::upper_case_acronyms)]
        pub enum Phone { $($name),+ }

        impl Phone {
            /// Every phone, in the order of its number.
            pub const ALL: [Phone; [$(stringify!($name)),+].len()] = [$(Phone::$name),+];

            /// The ARPAbet symbol.
            pub fn symbol(self) -> &'static str {
                match self { $(Phone::$name => stringify!($name)),+ }
            }

            /// The phone of an ARPAbet symbol; a stress digit at its end is dropped.
            pub fn from_symbol(symbol: &str) -> Option<Phone> {
                match symbol.trim_end_matches(['0', '1', '2']) {
                    $(stringify!($name) => Some(Phone::$name),)+
                    _ => None,
                }
            }
        }
    };
}

phones!(
    AA, AE, AH, AO, AW, AY, B, CH, D, DH, EH, ER, EY, F, G, HH, IH, IY, JH, K, L, M, N, NG, OW, OY,
    P, R, S, SH, T, TH, UH, UW, V, W, Y, Z, ZH,
);

impl Phone {
    /// How many phones there are.
    pub const COUNT: usize = Phone::ALL.len();

    /// Whether it is a vowel (the rhotic vowel ER among them).
    pub fn is_vowel(self) -> bool {
        use Phone::*;
        matches!(self, AA | AE | AH | AO | AW | AY | EH | ER | EY | IH | IY | OW | OY | UH | UW)
    }
}

impl fmt::Display for Phone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.symbol())
    }
}

/// Reads a blank-separated list of ARPAbet symbols; the first unknown symbol is the error.
///
/// # Errors
///
/// The symbol that is none of the 39.
pub fn parse(text: &str) -> Result<Vec<Phone>, &str> {
    text.split_whitespace().map(|s| Phone::from_symbol(s).ok_or(s)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_symbol_reads_back_as_its_own_phone_with_or_without_stress() {
        assert_eq!(Phone::COUNT, 39);
        for p in Phone::ALL {
            assert_eq!(Phone::from_symbol(p.symbol()), Some(p));
            assert_eq!(Phone::from_symbol(&format!("{p}1")), Some(p));
        }
    }

    #[test]
    fn an_unknown_symbol_is_named() {
        assert_eq!(parse("AA QX"), Err("QX"));
    }
}
