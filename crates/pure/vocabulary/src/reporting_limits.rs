//! Limits in the kernel that keep an error from being told, or from being told twice. Whoever explains a miss needs them.

/// Correctable errors on one page at which the collector lets one through to the drivers and takes the page offline, on
/// Intel processors. Source: `cec_init()` in `drivers/ras/cec.c` (`action_threshold = 2`).
pub const COLLECTOR_THRESHOLD_INTEL: u32 = 2;
/// The same elsewhere. Source: `action_threshold = COUNT_MASK` in `drivers/ras/cec.c`, a count of ten bits.
pub const COLLECTOR_THRESHOLD: u32 = 1023;
/// Nanoseconds within which firmware's byte-identical record is taken for one already told. Where firmware notifies like
/// a non-maskable interrupt it is dropped; elsewhere it is only not printed. Source: `GHES_ESTATUS_IN_CACHE_MAX_NSEC` in
/// `drivers/acpi/apei/ghes.c`.
pub const FIRMWARE_DUPLICATE_NS: i64 = 10_000_000_000;
/// How many of firmware's records are remembered for that. Source: `GHES_ESTATUS_CACHES_SIZE` in
/// `include/acpi/ghes.h` and `drivers/acpi/apei/ghes.c`.
pub const FIRMWARE_DUPLICATES_KEPT: usize = 4;
/// How many of firmware's records of one severity are printed within [`FIRMWARE_PRINT_NS`]. Source: the rate limits in
/// `ghes_print_estatus()` in `drivers/acpi/apei/ghes.c` (`5*HZ, 2`).
pub const FIRMWARE_PRINTS: u32 = 2;
/// See [`FIRMWARE_PRINTS`]; nanoseconds.
pub const FIRMWARE_PRINT_NS: i64 = 5_000_000_000;

/// Whether the collector hides the `n`th correctable error on a page, counted from 1 since the page was new to it: no
/// driver sees that one, so there is neither an event nor a count, only the machine-check record.
///
/// Source: `cec_add_elem()` and `cec_notifier()` in `drivers/ras/cec.c`: the error at which the count reaches the threshold
/// goes on to the drivers, and the page is forgotten.
#[must_use]
pub fn collector_hides(intel: bool, n: u32) -> bool {
    let threshold = if intel { COLLECTOR_THRESHOLD_INTEL } else { COLLECTOR_THRESHOLD };
    n == 0 || !n.is_multiple_of(threshold)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_collector_lets_every_second_error_through_on_intel() {
        // drivers/ras/cec.c, action_threshold: 2 on Intel, 1023 elsewhere.
        assert_eq!([1, 2, 3, 4].map(|n| collector_hides(true, n)), [true, false, true, false]);
        assert_eq!([1, 2, 1022, 1023, 1024].map(|n| collector_hides(false, n)), [true, true, true, false, true]);
    }

    #[test]
    fn firmwares_limits() {
        // drivers/acpi/apei/ghes.c: 10 s and 4 entries; 2 messages in 5 s.
        assert_eq!((FIRMWARE_DUPLICATE_NS / 1_000_000_000, FIRMWARE_DUPLICATES_KEPT), (10, 4));
        assert_eq!((FIRMWARE_PRINTS, FIRMWARE_PRINT_NS / 1_000_000_000), (2, 5));
    }
}
