//! Names beside plots: how much room they take, and what is left of those that take too much.

/// The kernel cuts labels at 31 characters (`EDAC_MC_LABEL_LEN` in `include/linux/edac.h`): as many are shown whole.
const MOST: usize = 32;

/// The width of the widest name, in pixels, with a margin; at the plots' size of text a character takes about this much.
pub(crate) fn width<'n>(names: impl Iterator<Item = &'n str>, least: f64) -> f64 {
    let longest = names.map(|name| name.chars().count().min(MOST)).max().unwrap_or(0);
    (longest as f64 * 7.3 + 12.0).max(least)
}

/// The name as it stands in a margin of [`width`].
pub(crate) fn in_margin(name: &str) -> String {
    shortened(name, MOST)
}

/// The name, if need be without its middle: names of one machine differ at their ends.
pub(crate) fn shortened(name: &str, most: usize) -> String {
    let long = name.chars().count();
    if long <= most {
        return name.to_owned();
    }
    let (before, behind) = (most / 2, most.saturating_sub(most / 2 + 1));
    name.chars().take(before).chain(['…']).chain(name.chars().skip(long - behind)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_names_lose_their_middle_visibly() {
        assert_eq!(shortened("A1", 5), "A1");
        assert_eq!(shortened("PROC 1 DIMM 12", 9), "PROC…M 12");
        let kernel = "CPU_SrcID#0_MC#0_Chan#0_DIMM#0";
        assert_eq!(in_margin(kernel), kernel);
        assert!(width([kernel, "A1"].into_iter(), 60.0) > 180.0 && width(["A1"].into_iter(), 60.0) == 60.0);
    }
}
