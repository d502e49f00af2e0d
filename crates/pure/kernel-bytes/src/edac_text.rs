//! The texts of EDAC's sysfs attributes and directory names.
//!
//! Source: `drivers/edac/edac_mc_sysfs.c`, `edac_dimm_info_location()` and `edac_layer_name` in `drivers/edac/edac_mc.c`.

use thiserror::Error;
use vocabulary::{Layer, Layers};

/// Text that an attribute should not have.
#[derive(Clone, PartialEq, Eq, Debug, Error)]
pub enum TextError {
    /// Not an unsigned number.
    #[error("not a number: {0:?}")]
    Number(String),
    /// Not pairs of a layer and a position.
    #[error("not a location: {0:?}")]
    Location(String),
}

/// A parsed `dimm_location` or `max_location`.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Location {
    /// What each position means, top layer first; empty if the kernel used a word that is not known here.
    pub kinds: Vec<Layer>,
    /// The positions, or for `max_location` the highest ones.
    pub layers: Layers,
}

/// A counter, such as `ce_count`: an unsigned 32-bit number and a newline.
pub fn counter(text: &str) -> Result<u32, TextError> {
    text.trim().parse().map_err(|_| TextError::Number(text.to_owned()))
}

/// `seconds_since_reset` or `size_mb`.
pub fn number(text: &str) -> Result<u64, TextError> {
    text.trim().parse().map_err(|_| TextError::Number(text.to_owned()))
}

/// `dimm_location` or `max_location`: `"<layer> <n> <layer> <n> "`, with a newline on newer kernels.
pub fn location(text: &str) -> Result<Location, TextError> {
    let wrong = || TextError::Location(text.to_owned());
    let words: Vec<&str> = text.split_whitespace().collect();
    if words.is_empty() || words.len() > 6 {
        return Err(wrong());
    }
    let (mut kinds, mut positions, mut all_known) = (Vec::new(), Vec::new(), true);
    for pair in words.chunks(2) {
        let [layer, position] = pair else { return Err(wrong()) };
        positions.push(position.parse::<i16>().ok().filter(|p| *p >= 0).ok_or_else(wrong)?);
        match Layer::parse(layer) {
            Some(kind) => kinds.push(kind),
            None => all_known = false,
        }
    }
    if !all_known {
        kinds.clear();
    }
    Ok(Location { kinds, layers: Layers::from_slice(&positions) })
}

/// The controller's number, if this is the name of a controller's directory; its neighbours are `power` and such.
#[must_use]
pub fn controller_index(directory: &str) -> Option<u16> {
    digits(directory.strip_prefix("mc")?)
}

/// Whether the directory's name is that of an EDAC object, and if so whether the object is one rank, and its index.
#[must_use]
pub fn object_index(directory: &str) -> Option<(bool, u32)> {
    match directory.strip_prefix("dimm") {
        Some(rest) => Some((false, digits(rest)?)),
        None => Some((true, digits(directory.strip_prefix("rank")?)?)),
    }
}

fn digits<N: std::str::FromStr>(text: &str) -> Option<N> {
    text.bytes().all(|b| b.is_ascii_digit()).then(|| text.parse().ok())?
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn locations_with_and_without_newline() {
        // edac_dimm_info_location() in drivers/edac/edac_mc.c; before 6.x there was no newline.
        for text in ["channel 1 slot 0 ", "channel 1 slot 0 \n"] {
            let l = location(text).unwrap();
            assert_eq!((l.kinds, l.layers), (vec![Layer::Channel, Layer::Slot], Layers([1, 0, -1])));
        }
        assert_eq!(location("csrow 3 channel 11 \n").unwrap().layers, Layers([3, 11, -1]));
        assert_eq!(location("memory 17 \n").unwrap().kinds, [Layer::Memory]);
        assert_eq!(location("branch 0 channel 1 slot 2 ").unwrap().layers, Layers([0, 1, 2]));
        assert_eq!(location("cube 4 slot 2 ").unwrap(), Location { kinds: vec![], layers: Layers([4, 2, -1]) });
        for text in ["", "\n", "channel", "channel x", "channel 1 slot", "channel -1 ", "a 1 b 2 c 3 d 4"] {
            assert_eq!(location(text), Err(TextError::Location(text.into())));
        }
    }

    #[test]
    fn counters_are_32_bits_wide() {
        assert_eq!(counter("0\n"), Ok(0));
        assert_eq!(counter("4294967295\n"), Ok(u32::MAX));
        for text in ["", "4294967296\n", "-1\n", "x"] {
            assert_eq!(counter(text), Err(TextError::Number(text.into())));
        }
        assert_eq!(number("4294967296\n"), Ok(1 << 32));
    }

    #[test]
    fn directory_names() {
        // edac_mc_sysfs.c: dev_set_name(.., "mc%d"), "dimm%d", "rank%d"; the driver core adds power and subsystem.
        assert_eq!(controller_index("mc0"), Some(0));
        assert_eq!(controller_index("mc12"), Some(12));
        for other in ["mc", "power", "subsystem", "uevent", "mc1x", "mc+1", "mc-1", "xmc1", "mc99999"] {
            assert_eq!(controller_index(other), None, "{other}");
        }
        assert_eq!(object_index("dimm7"), Some((false, 7)));
        assert_eq!(object_index("rank12"), Some((true, 12)));
        for other in ["dimm", "rank", "csrow0", "dimm_label", "rank+1", "size_mb"] {
            assert_eq!(object_index(other), None, "{other}");
        }
    }
}
