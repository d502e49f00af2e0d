//! Draws the reference load with its truth.

use pairing::{Input, Order};
use std::fmt::Write;
use vocabulary::{
    Blame, Class, Expected, FoundBy, Layers, Mono, Severity, Shot, ShotKey, Sighted, SlotId, Source, Span,
};

const SLOTS: u32 = 32;
const MEDIAN_S: f64 = 0.040;
/// ln(900 ms / 40 ms) over the 99th percentile of the standard normal.
const SIGMA: f64 = 3.113_515_3 / 2.326_347_9;

/// A report that comes later than this is none: what a window is.
const WINDOW_S: f64 = 5.0;

pub(crate) struct Truth {
    pub(crate) slot: u32,
    /// The witness that really reported it, within the window.
    pub(crate) report: Option<i64>,
}

pub(crate) struct Load {
    pub(crate) inputs: Vec<(Mono, Input)>,
    pub(crate) truth: Vec<Truth>,
}

/// SplitMix64 (Steele, Lea and Flood, OOPSLA 2014).
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Uniform in (0, 1).
    fn unit(&mut self) -> f64 {
        ((self.next() >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    fn below(&mut self, n: u32) -> u32 {
        (self.unit() * f64::from(n)) as u32
    }

    /// Standard normal, by Box and Muller.
    fn normal(&mut self) -> f64 {
        (-2.0 * self.unit().ln()).sqrt() * (2.0 * std::f64::consts::PI * self.unit()).cos()
    }
}

struct Report {
    at: f64,
    slot: u32,
    severity: Severity,
    count: u32,
    shots: Vec<usize>,
}

impl Load {
    pub(crate) fn draw(shots: usize, per_second: f64, seed: u64) -> Load {
        let mut random = Random(seed);
        let mut t = 10.0;
        let mut fired = Vec::new();
        let mut reports: Vec<Report> = Vec::new();
        for n in 0..shots {
            t += -random.unit().ln() / per_second;
            let slot = random.below(SLOTS);
            let expect = if random.unit() < 0.05 { Severity::Uncorrected } else { Severity::Corrected };
            fired.push((t, slot, expect));
            if random.unit() < 0.01 {
                continue;
            }
            let latency = MEDIAN_S * (SIGMA * random.normal()).exp();
            let elsewhere = random.unit() < 0.01;
            let at_slot = if elsewhere { (slot + 1 + random.below(SLOTS - 1)) % SLOTS } else { slot };
            let other = random.unit() < 0.005;
            let severity = match (expect, other) {
                (Severity::Corrected, false) | (Severity::Uncorrected, true) => Severity::Corrected,
                _ => Severity::Uncorrected,
            };
            reports.push(Report { at: t + latency, slot: at_slot, severity, count: 1, shots: vec![n] });
        }
        for _ in 0..shots / 50 {
            let at = 10.0 + random.unit() * (t - 10.0);
            let severity = if random.unit() < 0.05 { Severity::Uncorrected } else { Severity::Corrected };
            reports.push(Report { at, slot: random.below(SLOTS), severity, count: 1, shots: Vec::new() });
        }
        reports.sort_by(|a, b| a.at.total_cmp(&b.at));
        merge(&mut reports, &mut random);
        let mut truth: Vec<Truth> = fired.iter().map(|(_, slot, _)| Truth { slot: *slot, report: None }).collect();
        let ns = |s: f64| Mono((s * 1e9) as i64);
        let mut inputs = Vec::new();
        for (n, (at, slot, expect)) in fired.iter().enumerate() {
            let shot = Shot {
                key: ShotKey { injection: n as i64, n: 1 },
                name: format!("rig/{n:08}").into(),
                slot: SlotId(*slot),
                fired: Span::point(ns(*at)),
                hold_ns: 1_000_000,
                expect: Expected::only(*expect),
                forced: 0,
                known: ns(*at),
            };
            inputs.push((ns(*at), Input::Shot(Order(shot))));
        }
        for (id, report) in reports.iter().enumerate() {
            for shot in &report.shots {
                if report.at - fired[*shot].0 <= WINDOW_S {
                    truth[*shot].report = Some(id as i64);
                }
            }
            let at = ns(report.at);
            inputs.push((
                at,
                Input::Witness(Sighted {
                    known: at,
                    span: Span::point(at),
                    source: Source::McEvent,
                    controller: Some(0),
                    layers: Layers([report.slot as i16, 0, -1]),
                    severity: report.severity,
                    count: report.count,
                    address: None,
                    syndrome: None,
                    synthetic: false,
                    found_by: FoundBy::Interrupt,
                    blame: Blame::Slot(SlotId(report.slot)),
                    id: id as i64,
                }),
            ));
        }
        inputs.sort_by_key(|(at, _)| *at);
        Load { inputs, truth }
    }
}

impl Load {
    /// Writes the load as the two tables that `assignment.py` reads.
    pub(crate) fn write(&self, folder: &std::path::Path) {
        let mut shots = String::from("shot,t_s,slot,uncorrected,report\n");
        let mut reports = String::from("report,t_s,slot,uncorrected,count\n");
        let bad = |class: Class| u8::from(class != Class::Corrected);
        for (_, input) in &self.inputs {
            match input {
                Input::Shot(Order(shot)) => {
                    let n = shot.key.injection as usize;
                    let report = self.truth[n].report.map_or(String::new(), |report| report.to_string());
                    let expect = bad(shot.expect.class().unwrap());
                    let t = shot.fired.from.0 as f64 / 1e9;
                    writeln!(shots, "{n},{t:.9},{},{expect},{report}", shot.slot.0).unwrap();
                }
                Input::Witness(w) => {
                    let (t, slot) = (w.span.to.0 as f64 / 1e9, w.blame.exact().unwrap().0);
                    writeln!(reports, "{},{t:.9},{slot},{},{}", w.id, bad(w.severity.class()), w.count).unwrap();
                }
                Input::Gap(_) => {}
            }
        }
        std::fs::write(folder.join("shots.csv"), shots).unwrap();
        std::fs::write(folder.join("reports.csv"), reports).unwrap();
    }
}

/// Merges reports in pairs of one slot and severity within a second, until 2 % of them are.
fn merge(reports: &mut Vec<Report>, random: &mut Random) {
    let wanted = reports.len() / 50;
    let mut merged = 0;
    let mut gone = vec![false; reports.len()];
    while merged < wanted {
        let first = random.below(reports.len() as u32) as usize;
        if gone[first] || reports[first].count > 1 {
            continue;
        }
        let fits = |i: &usize| {
            !gone[*i]
                && reports[*i].count == 1
                && reports[*i].slot == reports[first].slot
                && reports[*i].severity.class() == reports[first].severity.class()
        };
        let near = (first + 1..reports.len()).take_while(|i| reports[*i].at - reports[first].at < 1.0).find(fits);
        let Some(second) = near else { continue };
        // The hardware keeps one record, which is read when the second has come.
        let shots = std::mem::take(&mut reports[first].shots);
        gone[first] = true;
        reports[second].shots.extend(shots);
        reports[second].count = 2;
        merged += 2;
    }
    let mut keep = gone.into_iter();
    reports.retain(|_| !keep.next().unwrap_or(false));
}
