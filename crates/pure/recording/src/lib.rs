//! The replay format: what was witnessed, one JSON object a line.
//!
//! A recording is two files. The feed file holds the feed's own lines, each with `t_ns` where the live feed would have
//! stamped its arrival; crate `feed-lines` reads those. The witness file holds what this crate reads and writes: trace
//! events, machine-check records, counter steps, gaps, the inventory, and what else the machine showed. docs/recording.md describes both for people who
//! bring their own data. Pure: lines in, values out; the daemon opens the files.

mod flat;

use flat::Flat;
use thiserror::Error;
use vocabulary::{ClockPair, Dimm, Gap, MachineSample, Mono, Witness};

/// One line of a witness file.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Entry {
    /// One raw observation, and when the pipeline learned of it: its own time, unless it came late.
    Witness {
        /// When it became known.
        known: Mono,
        /// What was seen.
        witness: Witness,
    },
    /// A source was blind.
    Gap(Gap),
    /// One object of the inventory.
    Dimm(Dimm),
    /// A measured pair of both clocks, for dates.
    Clock(ClockPair),
    /// What the machine showed beside its reports.
    Machine(MachineSample),
}

/// Why a line is not one of a witness file.
#[derive(Clone, PartialEq, Eq, Debug, Error)]
pub enum EntryError {
    /// Not a JSON object of the expected shape.
    #[error("not a witness line: {0}")]
    Json(String),
    /// A field that this kind of line needs.
    #[error("{0} is missing")]
    Missing(&'static str),
    /// A field with a value that means nothing.
    #[error("{field} is {found:?}: {expected}")]
    Bad {
        /// The field.
        field: &'static str,
        /// What it holds.
        found: String,
        /// What it may hold.
        expected: &'static str,
    },
}

/// Reads one line.
///
/// # Errors
/// When the line is not JSON, lacks a field that its kind needs, or has one that means nothing.
pub fn parse(line: &str) -> Result<Entry, EntryError> {
    let flat: Flat = serde_json::from_str(line).map_err(|e| EntryError::Json(e.to_string()))?;
    flat.into_entry()
}

/// Writes one line, without the line end.
#[must_use]
pub fn line(entry: &Entry) -> String {
    // A structure of numbers and strings always has a JSON form.
    serde_json::to_string(&Flat::from_entry(entry)).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use vocabulary::{Layers, Severity, Source, Span};

    #[test]
    fn the_lines_of_the_documentation() {
        let event = r#"{"source":"mc_event","t_ns":1500,"controller":0,"place":[1,0],"label":"DIMM_B1","severity":"corrected",
            "count":1,"address":305418240,"syndrome":"0x54","message":"memory read error"}"#;
        let Entry::Witness { known, witness } = parse(event).unwrap() else { panic!() };
        assert_eq!((known, witness.span, witness.source), (Mono(1500), Span::point(Mono(1500)), Source::McEvent));
        assert_eq!(witness.layers, Layers([1, 0, -1]));
        assert_eq!((witness.address, witness.syndrome), (Some(0x1234_5000), Some(0x54)));

        let step = r#"{"source":"counter","t_ns":200,"from_ns":100,"controller":0,"place":[],"severity":"uncorrected","count":2}"#;
        let Entry::Witness { witness, .. } = parse(step).unwrap() else { panic!() };
        assert_eq!((witness.span, witness.count), (Span::new(Mono(100), Mono(200)), 2));

        let record = r#"{"source":"mce_record","t_ns":5,"bank":8,"status":"0x8c00004000010090","misc":140}"#;
        let Entry::Witness { witness, .. } = parse(record).unwrap() else { panic!() };
        assert_eq!((witness.severity, witness.count), (Severity::Corrected, 1));
        assert!(witness.is_memory_error());

        let gap = r#"{"source":"gap","from_ns":10,"t_ns":20,"why":"ring overrun"}"#;
        let Entry::Gap(gap) = parse(gap).unwrap() else { panic!() };
        assert_eq!((gap.span, gap.of.as_str()), (Span::new(Mono(10), Mono(20)), "recording"));

        let dimm = r#"{"source":"dimm","controller":0,"place":[0,1],"label":"A2","edac_mode":"SECDED","dev_type":"x8","mem_type":"Registered-DDR4","size_mb":16384}"#;
        let Entry::Dimm(dimm) = parse(dimm).unwrap() else { panic!() };
        assert_eq!((dimm.label.as_str(), dimm.size_mb), ("A2", Some(16384)));
    }

    #[test]
    fn bad_lines_say_what_is_wrong() {
        let why = |line: &str| parse(line).unwrap_err().to_string();
        assert_eq!(why(r#"{"source":"mc_event","severity":"corrected"}"#), "t_ns is missing");
        assert_eq!(why(r#"{"source":"mc_event","t_ns":1}"#), "severity is missing");
        assert_eq!(why(r#"{"source":"counter","t_ns":1,"severity":"corrected"}"#), "from_ns is missing");
        assert!(why(r#"{"source":"radio","t_ns":1}"#).starts_with("source is \"radio\""));
        assert!(why(r#"{"source":"mc_event","t_ns":1,"severity":"bad"}"#).starts_with("severity is \"bad\""));
        assert!(
            why(r#"{"source":"mc_event","t_ns":1,"severity":"fatal","address":"here"}"#)
                .starts_with("address is \"here\"")
        );
        assert!(why("hello").starts_with("not a witness line"));
    }

    #[test]
    fn what_is_written_is_read_back() {
        for line_in in [
            r#"{"source":"mc_event","t_ns":1500,"known_ns":1600,"controller":255,"place":[-1,3],"label":"a \"b\"","severity":"fatal","count":0,"address":"0xffffffffffffffff","detail":"x"}"#,
            r#"{"source":"mce_record","t_ns":5,"severity":"deferred","count":7,"bank":255,"status":"0x9c0000000000009f","misc":"0x8c","cpu":3,"tsc":12,"ipid":"0x9600000000","cpuvendor":2}"#,
            r#"{"source":"counter","t_ns":200,"from_ns":100,"controller":1,"place":[0,1],"label":"A2","severity":"corrected","count":3}"#,
            r#"{"source":"gap","t_ns":20,"from_ns":10,"of":"counter","controller":1,"why":"driver gone"}"#,
            r#"{"source":"clock","t_ns":20,"wall_ns":1798761600000000000}"#,
            r#"{"source":"machine","t_ns":20}"#,
            r#"{"source":"machine","t_ns":20,"from_ns":10,"mce":1,"mcp":2,"thr":3,"dfr":4,"collected":5,"offlined":6,"corrupted_kb":7,"settings":{"x86":true,"ignore_ce":false,"boot":["mce=no_cmci"]}}"#,
            r#"{"source":"dimm","controller":0,"place":[2,1],"layers":["csrow","channel"],"label":"A2","rank":true}"#,
        ] {
            let entry = parse(line_in).unwrap();
            let again = line(&entry);
            assert_eq!(parse(&again).unwrap(), entry, "{again}");
        }
    }
}
