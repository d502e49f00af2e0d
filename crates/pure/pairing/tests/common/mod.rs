//! A small language for writing down what happened and what the engine must answer. Used by the tests beside it.
#![allow(dead_code, clippy::unwrap_used, clippy::indexing_slicing, missing_docs, unreachable_pub)]

use pairing::{Answer, Engine, Input, Order, Settings};
use vocabulary::{
    Blame, Expected, FoundBy, Gap, Layers, Mono, Outcome, ReportAnswer, Role, Severity, Shot, ShotAnswer, ShotKey,
    Sighted, SlotId, Source, Span,
};

pub const MS: i64 = 1_000_000;
pub const S: i64 = 1_000 * MS;

/// Milliseconds on the clock.
pub fn at(ms: i64) -> Mono {
    Mono(ms * MS)
}

pub fn shot(injection: i64, slot: u32, ms: i64) -> Input {
    shot_expecting(injection, slot, ms, None)
}

pub fn shot_expecting(injection: i64, slot: u32, ms: i64, expect: Option<Severity>) -> Input {
    Input::Shot(Order(Shot {
        key: ShotKey { injection, n: 1 },
        name: format!("rig/{injection:06}").into(),
        slot: SlotId(slot),
        fired: Span::point(at(ms)),
        hold_ns: MS,
        expect: expect.map_or(Expected::ANY, Expected::only),
        forced: 0,
        known: at(ms),
    }))
}

pub fn event(id: i64, slot: u32, ms: i64) -> Sighted {
    Sighted {
        known: at(ms),
        span: Span::point(at(ms)),
        source: Source::McEvent,
        controller: Some(0),
        layers: Layers([slot as i16, 0, -1]),
        severity: Severity::Corrected,
        count: 1,
        address: None,
        syndrome: None,
        synthetic: false,
        found_by: FoundBy::Interrupt,
        blame: Blame::Slot(SlotId(slot)),
        id,
    }
}

pub fn counter(id: i64, slot: u32, from_ms: i64, to_ms: i64, count: u32) -> Sighted {
    let span = Span::new(at(from_ms), at(to_ms));
    Sighted { source: Source::Counter, found_by: FoundBy::Counter, span, count, ..event(id, slot, to_ms) }
}

pub fn record(id: i64, ms: i64, address: Option<u64>) -> Sighted {
    Sighted {
        source: Source::MceRecord,
        controller: None,
        layers: Layers::UNKNOWN,
        blame: Blame::Anywhere,
        address,
        ..event(id, 0, ms)
    }
}

pub fn gap(from_ms: i64, to_ms: i64) -> Input {
    Input::Gap(Gap {
        span: Span::new(at(from_ms), at(to_ms)),
        of: "mc_event".into(),
        controller: None,
        why: "overrun".into(),
    })
}

pub fn settings() -> Settings {
    Settings::default()
}

/// An engine that knows sixteen slots of two controllers.
pub fn engine(settings: Settings) -> Engine {
    let mut engine = Engine::new(settings, 1);
    for slot in 0..16 {
        engine.know_slot(SlotId(slot), Some(if slot < 8 { 0 } else { 1 }));
    }
    engine
}

/// Everything pushed in the order given, then settled.
pub fn run(settings: Settings, inputs: Vec<Input>) -> Answers {
    let mut engine = engine(settings);
    for input in inputs {
        engine.push(input);
    }
    let mut all = Vec::new();
    engine.finish(&mut all);
    Answers(all)
}

pub struct Answers(pub Vec<Answer>);

impl Answers {
    pub fn shots(&self) -> Vec<&ShotAnswer> {
        let mut shots: Vec<_> =
            self.0.iter().filter_map(|a| if let Answer::Shot(s) = a { Some(s) } else { None }).collect();
        shots.sort_by_key(|s| s.key);
        shots
    }

    pub fn reports(&self) -> Vec<&ReportAnswer> {
        let mut reports: Vec<_> =
            self.0.iter().filter_map(|a| if let Answer::Report(r) = a { Some(r) } else { None }).collect();
        reports.sort_by_key(|r| r.report);
        reports
    }

    pub fn spent(&self) -> Vec<i64> {
        self.0.iter().filter_map(|a| if let Answer::Spent { witness } = a { Some(*witness) } else { None }).collect()
    }

    /// The answer about an injection's only shot.
    pub fn of(&self, injection: i64) -> &ShotAnswer {
        self.shots().into_iter().find(|s| s.key.injection == injection).unwrap()
    }

    pub fn outcome(&self, injection: i64) -> Outcome {
        self.of(injection).outcome
    }

    /// The roles of all reports, in the order of their anchors.
    pub fn roles(&self) -> Vec<(i64, Role)> {
        let mut roles: Vec<_> = self.reports().iter().map(|r| (r.anchor, r.role)).collect();
        roles.sort_unstable();
        roles
    }
}
