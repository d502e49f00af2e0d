//! The fields of all kinds of witness lines in one structure, and what each kind makes of them.

use crate::{Entry, EntryError};
use serde::{Deserialize, Serialize};
use vocabulary::{
    ClockPair, Dimm, Gap, Layer, Layers, MachineCheck, MachineCounts, MachineSample, MachineSettings, Mono, Severity,
    Source, Span, Wall, Witness,
};

/// A 64-bit number: read as a JSON number or as hexadecimal text, written as text, since JSON numbers lose bits.
#[derive(Clone, Serialize, Deserialize)]
#[serde(untagged)]
enum Wide {
    Number(u64),
    Text(String),
}

impl Wide {
    fn hex(value: u64) -> Wide {
        Wide::Text(format!("{value:#x}"))
    }

    fn value(self, field: &'static str) -> Result<u64, EntryError> {
        match self {
            Wide::Number(n) => Ok(n),
            Wide::Text(text) => {
                let digits = text.strip_prefix("0x").or_else(|| text.strip_prefix("0X"));
                let parsed = digits.map_or_else(|| text.parse(), |d| u64::from_str_radix(d, 16));
                parsed.map_err(|_| EntryError::Bad {
                    field,
                    found: text,
                    expected: "a number or text such as \"0x12345000\"",
                })
            }
        }
    }
}

#[derive(Default, Serialize, Deserialize)]
#[serde(default)]
pub(crate) struct Flat {
    source: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    t_ns: Option<i64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    from_ns: Option<i64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    known_ns: Option<i64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    wall_ns: Option<i64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    controller: Option<u16>,
    #[serde(skip_serializing_if = "Option::is_none")]
    place: Option<Vec<i16>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    layers: Option<Vec<Layer>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    label: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    severity: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    count: Option<u32>,
    #[serde(skip_serializing_if = "Option::is_none")]
    address: Option<Wide>,
    #[serde(skip_serializing_if = "Option::is_none")]
    syndrome: Option<Wide>,
    #[serde(skip_serializing_if = "Option::is_none")]
    message: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    detail: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    bank: Option<u8>,
    #[serde(skip_serializing_if = "Option::is_none")]
    status: Option<Wide>,
    #[serde(skip_serializing_if = "Option::is_none")]
    misc: Option<Wide>,
    #[serde(skip_serializing_if = "Option::is_none")]
    cpu: Option<u32>,
    #[serde(skip_serializing_if = "Option::is_none")]
    tsc: Option<Wide>,
    #[serde(skip_serializing_if = "Option::is_none")]
    ipid: Option<Wide>,
    #[serde(skip_serializing_if = "Option::is_none")]
    cpuvendor: Option<u8>,
    #[serde(skip_serializing_if = "Option::is_none")]
    of: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    why: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    edac_mode: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    dev_type: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    mem_type: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    size_mb: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    rank: Option<bool>,
    #[serde(skip_serializing_if = "Option::is_none")]
    mce: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    mcp: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    thr: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    dfr: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    collected: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    offlined: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    corrupted_kb: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    settings: Option<Box<MachineSettings>>,
}

impl Flat {
    pub(crate) fn into_entry(self) -> Result<Entry, EntryError> {
        match self.source.as_str() {
            "" => Err(EntryError::Missing("source")),
            "gap" => self.into_gap(),
            "dimm" => self.into_dimm(),
            "machine" => self.into_machine(),
            "clock" => Ok(Entry::Clock(ClockPair {
                mono: Mono(self.t_ns.ok_or(EntryError::Missing("t_ns"))?),
                wall: Wall(self.wall_ns.ok_or(EntryError::Missing("wall_ns"))?),
            })),
            word => match Source::parse(word) {
                Some(source) => self.into_witness(source),
                None => Err(EntryError::Bad {
                    field: "source",
                    found: self.source,
                    expected: "one of mc_event, mce_record, counter, gap, dimm, clock, machine",
                }),
            },
        }
    }

    fn into_gap(self) -> Result<Entry, EntryError> {
        let to = Mono(self.t_ns.ok_or(EntryError::Missing("t_ns"))?);
        let from = Mono(self.from_ns.ok_or(EntryError::Missing("from_ns"))?);
        Ok(Entry::Gap(Gap {
            span: Span::new(from, to),
            of: self.of.unwrap_or_else(|| "recording".into()),
            controller: self.controller,
            why: self.why.ok_or(EntryError::Missing("why"))?,
        }))
    }

    fn into_dimm(self) -> Result<Entry, EntryError> {
        Ok(Entry::Dimm(Dimm {
            controller: self.controller.ok_or(EntryError::Missing("controller"))?,
            layers: Layers::from_slice(&self.place.ok_or(EntryError::Missing("place"))?),
            layer_kinds: self.layers.unwrap_or_default(),
            label: self.label.unwrap_or_default(),
            edac_mode: self.edac_mode,
            dev_type: self.dev_type,
            mem_type: self.mem_type,
            size_mb: self.size_mb,
            rank: self.rank.unwrap_or(false),
        }))
    }

    fn into_machine(self) -> Result<Entry, EntryError> {
        let at = Mono(self.t_ns.ok_or(EntryError::Missing("t_ns"))?);
        Ok(Entry::Machine(MachineSample {
            from: self.from_ns.map_or(at, Mono).min(at),
            at,
            counts: MachineCounts {
                mce: self.mce,
                mcp: self.mcp,
                thr: self.thr,
                dfr: self.dfr,
                collected: self.collected,
                offlined: self.offlined,
                corrupted_kb: self.corrupted_kb,
            },
            settings: self.settings,
        }))
    }

    fn into_witness(self, source: Source) -> Result<Entry, EntryError> {
        let t = Mono(self.t_ns.ok_or(EntryError::Missing("t_ns"))?);
        let span = match (source, self.from_ns) {
            (Source::Counter, Some(from)) => Span::new(Mono(from), t),
            (Source::Counter, None) => return Err(EntryError::Missing("from_ns")),
            _ => Span::point(t),
        };
        let wide = |value: Option<Wide>, field| value.map(|v| v.value(field)).transpose();
        let status = wide(self.status, "status")?;
        let severity = match (self.severity, status) {
            (Some(word), _) => Severity::parse(&word).ok_or(EntryError::Bad {
                field: "severity",
                found: word,
                expected: "one of corrected, uncorrected, deferred, fatal, info",
            })?,
            // MCi_STATUS: bit 61 uncorrected, bit 57 processor context corrupt (arch/x86/include/asm/mce.h).
            (None, Some(status)) if status >> 61 & 1 == 0 => Severity::Corrected,
            (None, Some(status)) if status >> 57 & 1 == 1 => Severity::Fatal,
            (None, Some(_)) => Severity::Uncorrected,
            (None, None) => return Err(EntryError::Missing("severity")),
        };
        let mut witness = Witness::new(source, span, severity);
        witness.controller = self.controller;
        witness.layers = Layers::from_slice(&self.place.unwrap_or_default());
        witness.label = self.label.map(Into::into);
        witness.count = self.count.unwrap_or(1);
        witness.address = wide(self.address, "address")?;
        witness.syndrome = wide(self.syndrome, "syndrome")?;
        witness.message = self.message.map(Into::into);
        witness.detail = self.detail.map(Into::into);
        if source == Source::MceRecord {
            witness.machine_check = Some(Box::new(MachineCheck {
                bank: self.bank.ok_or(EntryError::Missing("bank"))?,
                status: status.ok_or(EntryError::Missing("status"))?,
                misc: wide(self.misc, "misc")?.unwrap_or(0),
                cpu: self.cpu.unwrap_or(0),
                tsc: wide(self.tsc, "tsc")?.unwrap_or(0),
                ipid: wide(self.ipid, "ipid")?.unwrap_or(0),
                cpuvendor: self.cpuvendor.unwrap_or(0),
            }));
        }
        Ok(Entry::Witness { known: self.known_ns.map_or(t, Mono).max(t), witness })
    }

    pub(crate) fn from_entry(entry: &Entry) -> Flat {
        match entry {
            Entry::Gap(gap) => Flat {
                source: "gap".into(),
                t_ns: Some(gap.span.to.0),
                from_ns: Some(gap.span.from.0),
                of: Some(gap.of.clone()),
                controller: gap.controller,
                why: Some(gap.why.clone()),
                ..Flat::default()
            },
            Entry::Clock(pair) => {
                Flat { source: "clock".into(), t_ns: Some(pair.mono.0), wall_ns: Some(pair.wall.0), ..Flat::default() }
            }
            Entry::Dimm(dimm) => Flat {
                source: "dimm".into(),
                controller: Some(dimm.controller),
                place: Some(dimm.layers.trimmed().to_vec()),
                layers: (!dimm.layer_kinds.is_empty()).then(|| dimm.layer_kinds.clone()),
                label: Some(dimm.label.clone()),
                edac_mode: dimm.edac_mode.clone(),
                dev_type: dimm.dev_type.clone(),
                mem_type: dimm.mem_type.clone(),
                size_mb: dimm.size_mb,
                rank: dimm.rank.then_some(true),
                ..Flat::default()
            },
            Entry::Machine(sample) => Flat {
                source: "machine".into(),
                t_ns: Some(sample.at.0),
                from_ns: (sample.from != sample.at).then_some(sample.from.0),
                mce: sample.counts.mce,
                mcp: sample.counts.mcp,
                thr: sample.counts.thr,
                dfr: sample.counts.dfr,
                collected: sample.counts.collected,
                offlined: sample.counts.offlined,
                corrupted_kb: sample.counts.corrupted_kb,
                settings: sample.settings.clone(),
                ..Flat::default()
            },
            Entry::Witness { known, witness } => Flat::from_witness(*known, witness),
        }
    }

    fn from_witness(known: Mono, witness: &Witness) -> Flat {
        let mut flat = Flat {
            source: witness.source.word().into(),
            t_ns: Some(witness.span.to.0),
            from_ns: (witness.source == Source::Counter).then_some(witness.span.from.0),
            known_ns: (known != witness.span.to).then_some(known.0),
            controller: witness.controller,
            place: witness.controller.map(|_| witness.layers.trimmed().to_vec()),
            label: witness.label.as_deref().map(Into::into),
            severity: Some(witness.severity.word().into()),
            count: Some(witness.count),
            address: witness.address.map(Wide::hex),
            syndrome: witness.syndrome.map(Wide::hex),
            message: witness.message.as_deref().map(Into::into),
            detail: witness.detail.as_deref().map(Into::into),
            ..Flat::default()
        };
        if let Some(mc) = &witness.machine_check {
            flat.bank = Some(mc.bank);
            flat.status = Some(Wide::hex(mc.status));
            flat.misc = Some(Wide::hex(mc.misc));
            flat.cpu = Some(mc.cpu);
            flat.tsc = Some(Wide::Number(mc.tsc));
            flat.ipid = Some(Wide::hex(mc.ipid));
            flat.cpuvendor = Some(mc.cpuvendor);
        }
        flat
    }
}
