//! Numbers as people read them. Bounds are rounded so that what is written stays true: lower ones down, upper ones up.

/// A share as it was given, in percent.
#[must_use]
pub fn percent(share: f64) -> String {
    format!("{} %", trimmed(format!("{:.7}", share * 100.0)))
}

/// A lower bound of a share in percent, rounded down.
#[must_use]
pub fn percent_down(share: f64) -> String {
    rounded(share, f64::floor)
}

/// An upper bound of a share in percent, rounded up.
#[must_use]
pub fn percent_up(share: f64) -> String {
    rounded(share, f64::ceil)
}

/// Three digits of what the share lacks to 0 or 1, whichever is nearer.
fn rounded(share: f64, to: impl Fn(f64) -> f64) -> String {
    let rest = share.min(1.0 - share);
    let decimals = if rest > 0.0 { (1.0 - rest.log10()).floor().clamp(2.0, 9.0) } else { 0.0 };
    let scale = 10_f64.powf(decimals);
    format!("{} %", trimmed(format!("{:.*}", decimals as usize, to(share * 100.0 * scale) / scale)))
}

/// A number with at most three digits behind the point, rounded up.
#[must_use]
pub fn up(number: f64) -> String {
    trimmed(format!("{:.3}", (number * 1e3).ceil() / 1e3))
}

/// A number with at most three digits behind the point, rounded down.
#[must_use]
pub fn down(number: f64) -> String {
    trimmed(format!("{:.3}", (number * 1e3).floor() / 1e3))
}

/// A number as it was given.
#[must_use]
pub fn plain(number: f64) -> String {
    trimmed(format!("{number:.6}"))
}

/// So many of something, with its word in the right form.
#[must_use]
pub fn count(n: u64, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

fn trimmed(digits: String) -> String {
    if digits.contains('.') { digits.trim_end_matches('0').trim_end_matches('.').to_owned() } else { digits }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bounds_stay_true() {
        assert_eq!(percent(0.99), "99 %");
        assert_eq!(percent(0.9999), "99.99 %");
        // 0.05^(1/299), the exact bound for 299 of 299.
        assert_eq!(percent_down(0.990_030_9), "99.003 %");
        assert_eq!(percent_up(0.990_030_9), "99.004 %");
        assert_eq!(percent_up(0.009_969), "0.997 %");
        assert_eq!((percent_down(0.0).as_str(), percent_up(1.0).as_str()), ("0 %", "100 %"));
        assert_eq!(percent_down(0.999_995_12), "99.999512 %");
        assert_eq!((up(2.99574).as_str(), down(2.99574).as_str(), up(250.0).as_str()), ("2.996", "2.995", "250"));
        assert_eq!((count(1, "shot", "shots"), count(0, "miss", "misses")), ("1 shot".into(), "0 misses".into()));
        assert_eq!(plain(100.0), "100");
    }
}
