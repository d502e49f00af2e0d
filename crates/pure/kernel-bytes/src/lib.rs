//! Decodes what the kernel hands out: trace ring pages, event formats, EDAC attribute text.
