//! A probe on a function of the running program that stands in for `ras:mc_event`.
//!
//! The records have the same fields by name, go through the kernel's real ring, and lie at other offsets than those of
//! the real event. Source: `Documentation/trace/uprobetracer.rst`.

use std::fs::{File, OpenOptions};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

/// What the probed function is given a pointer to.
#[repr(C)]
pub struct Shown {
    pub address: u64,
    pub syndrome: u64,
    pub msg: *const std::ffi::c_char,
    pub label: *const std::ffi::c_char,
    pub driver_detail: *const std::ffi::c_char,
    pub error_type: u32,
    pub error_count: u16,
    pub mc_index: u8,
    pub top_layer: i8,
    pub middle_layer: i8,
    pub lower_layer: i8,
    pub grain_bits: u8,
}

/// The kernel records one event whenever this is entered.
#[inline(never)]
pub extern "C" fn flipwitness_probed_function(shown: &Shown) {
    std::hint::black_box(shown);
}

/// The tracefs mount, if there is one.
pub fn tracefs() -> Option<PathBuf> {
    ["/sys/kernel/tracing", "/sys/kernel/debug/tracing"]
        .iter()
        .map(PathBuf::from)
        .find(|root| root.join("instances").is_dir())
}

/// The event, as long as this lives.
pub struct Probe {
    root: PathBuf,
    pub event: String,
}

impl Probe {
    /// Makes the event, or says why it cannot be made here.
    pub fn new(tag: &str) -> Result<Probe, String> {
        if !cfg!(target_arch = "x86_64") {
            return Err("the probe is written for x86-64 registers".to_owned());
        }
        let root = tracefs().ok_or("no tracefs is mounted")?;
        let exe = std::env::current_exe().map_err(|e| e.to_string())?;
        let offset =
            file_offset(&exe, "flipwitness_probed_function").ok_or("the function is not in the symbol table")?;
        let event = format!("flipwitness_{}/mc_event_{tag}", std::process::id());
        let fields = "address=+0(%di):u64 syndrome=+8(%di):u64 msg=+0(+16(%di)):ustring label=+0(+24(%di)):ustring \
                      driver_detail=+0(+32(%di)):ustring error_type=+40(%di):u32 error_count=+44(%di):u16 \
                      mc_index=+46(%di):u8 top_layer=+47(%di):s8 middle_layer=+48(%di):s8 lower_layer=+49(%di):s8 \
                      grain_bits=+50(%di):u8";
        let line = format!("p:{event} {}:{offset:#x} {fields}\n", exe.display());
        append(&root, &line).map_err(|e| format!("uprobe_events cannot be written: {e}"))?;
        Ok(Probe { root, event })
    }

    pub fn root(&self) -> &Path {
        &self.root
    }

    pub fn format(&self) -> String {
        std::fs::read_to_string(self.root.join("events").join(&self.event).join("format")).unwrap()
    }
}

impl Drop for Probe {
    fn drop(&mut self) {
        let _ = append(&self.root, &format!("-:{}\n", self.event));
    }
}

fn append(root: &Path, line: &str) -> std::io::Result<()> {
    OpenOptions::new().append(true).open(root.join("uprobe_events"))?.write_all(line.as_bytes())
}

/// Where a function begins in the file of a 64-bit ELF program: the only address that a probe knows.
fn file_offset(exe: &Path, name: &str) -> Option<u64> {
    let mut elf = Vec::new();
    File::open(exe).ok()?.read_to_end(&mut elf).ok()?;
    let number = |at: u64, size: usize| -> Option<u64> {
        let at = usize::try_from(at).ok()?;
        let mut bytes = [0; 8];
        bytes[..size].copy_from_slice(elf.get(at..at + size)?);
        Some(u64::from_le_bytes(bytes))
    };
    // ELF-64: program headers (segments), then section headers, as in the System V ABI, chapters 4 and 5.
    let (phoff, shoff) = (number(32, 8)?, number(40, 8)?);
    let (phsize, phcount, shsize, shcount) = (number(54, 2)?, number(56, 2)?, number(58, 2)?, number(60, 2)?);
    let sections = (0..shcount).map(|i| shoff + i * shsize);
    let symtab = sections.clone().find(|at| number(at + 4, 4) == Some(2))?;
    let strtab = sections.clone().nth(usize::try_from(number(symtab + 40, 4)?).ok()?)?;
    let (symbols, symbols_size, names) = (number(symtab + 24, 8)?, number(symtab + 32, 8)?, number(strtab + 24, 8)?);
    let address = (0..symbols_size / 24).map(|i| symbols + i * 24).find_map(|symbol| {
        let begin = usize::try_from(names + number(symbol, 4)?).ok()?;
        let text = elf.get(begin..)?.split(|b| *b == 0).next()?;
        let is_function = number(symbol + 4, 1)? & 0xf == 2;
        (is_function && String::from_utf8_lossy(text).contains(name)).then(|| number(symbol + 8, 8))?
    })?;
    (0..phcount).map(|i| phoff + i * phsize).find_map(|segment| {
        let (offset, begin, size) = (number(segment + 8, 8)?, number(segment + 16, 8)?, number(segment + 32, 8)?);
        let loaded = number(segment, 4)? == 1;
        (loaded && (begin..begin + size).contains(&address)).then(|| address - begin + offset)
    })
}
