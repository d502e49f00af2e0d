//! Watches the kernel: EDAC sysfs counters and an own tracefs instance.
