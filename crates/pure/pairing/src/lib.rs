//! Fuses witnesses into reports and pairs reports with shots.
