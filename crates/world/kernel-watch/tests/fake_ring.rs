//! The trace side on a directory that looks like tracefs: FIFOs and plain files in the place of `trace_pipe_raw`.

#![allow(clippy::unwrap_used, clippy::indexing_slicing, unreachable_pub, reason = "a test")]

use kernel_bytes::build::{self, PageWriter, RecordWriter, mc_event_record};
use kernel_bytes::{Format, McEvent, PageLayout};
use kernel_watch::trace::{TraceError, TraceInstance, TraceSetup};
use kernel_watch::{KernelEvent, WatchSource, run_trace};
use std::fs::OpenOptions;
use std::io::Write;
use std::path::{Path, PathBuf};
use tokio::sync::{mpsc, watch};
use vocabulary::{Gap, Mono, Source, Span, Witness};

const NAME: &str = "flipwitness";

/// What a 6.18 kernel shows of an instance, with as many CPUs.
fn tracefs(root: &Path, cpus: u32, fifo: bool) -> PathBuf {
    let dir = root.join("instances").join(NAME);
    let put = |path: &str, text: &str| {
        let path = dir.join(path);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, text).unwrap();
    };
    put("trace_clock", "local global counter uptime perf [mono] mono_raw boot tai x86-tsc\n");
    put("buffer_size_kb", "1410\n");
    put("buffer_percent", "50\n");
    put("tracing_on", "1\n");
    put("events/header_page", build::HEADER_PAGE);
    put("events/header_event", build::HEADER_EVENT);
    put("events/ras/mc_event/format", build::MC_EVENT_FORMAT);
    put("events/ras/mc_event/enable", "0\n");
    put("events/mce/mce_record/format", build::MCE_RECORD_FORMAT);
    put("events/mce/mce_record/enable", "0\n");
    for cpu in 0..cpus {
        put(&format!("per_cpu/cpu{cpu}/stats"), "entries: 0\noverrun: 0\ncommit overrun: 0\ndropped events: 0\n");
        let raw = dir.join(format!("per_cpu/cpu{cpu}/trace_pipe_raw"));
        if fifo {
            nix::unistd::mkfifo(&raw, nix::sys::stat::Mode::from_bits_truncate(0o600)).unwrap();
        } else {
            std::fs::write(&raw, "").unwrap();
        }
    }
    dir
}

fn layout() -> PageLayout {
    PageLayout::parse(build::HEADER_PAGE, build::HEADER_EVENT).unwrap()
}

fn record(label: &str) -> Vec<u8> {
    let event = McEvent {
        t: Mono(0),
        error_type: 0,
        msg: b"memory read error",
        label: label.as_bytes(),
        error_count: 1,
        mc_index: 0,
        top_layer: 1,
        middle_layer: 0,
        lower_layer: -1,
        address: 0,
        grain_bits: 5,
        syndrome: 0,
        driver_detail: b"",
    };
    mc_event_record(&Format::parse(build::MC_EVENT_FORMAT).unwrap(), &event)
}

/// One page of records `(time, label)`, with so many lost before.
fn page(lost: Option<u64>, records: &[(i64, &str)]) -> Vec<u8> {
    let l = layout();
    let mut writer = PageWriter::new(&l);
    if lost.is_some() {
        writer.lose(lost);
    }
    for (t, label) in records {
        assert!(writer.push(Mono(*t), &record(label)));
    }
    writer.take().concat()
}

struct Watched {
    rx: mpsc::Receiver<KernelEvent>,
    stop: watch::Sender<bool>,
    task: tokio::task::JoinHandle<()>,
    witnesses: Vec<Witness>,
    gaps: Vec<Gap>,
    remarks: Vec<String>,
    to: Mono,
}

impl Watched {
    /// Starts the task, and waits for its first progress: then it has opened every FIFO, and a writer can too.
    async fn start(root: &Path) -> Watched {
        let instance = TraceInstance::open(root, NAME, &TraceSetup::default()).unwrap();
        let (tx, rx) = mpsc::channel(4);
        let (stop, stopped) = watch::channel(false);
        let task = tokio::spawn(run_trace(instance, tx, stopped));
        let mut watched = Watched { rx, stop, task, witnesses: vec![], gaps: vec![], remarks: vec![], to: Mono(0) };
        while watched.to == Mono(0) {
            let event = watched.rx.recv().await.unwrap();
            watched.take(event);
        }
        watched
    }

    fn take(&mut self, event: KernelEvent) {
        match event {
            KernelEvent::Witnesses(w) => self.witnesses.extend(w),
            KernelEvent::Gap(g) => self.gaps.push(g),
            KernelEvent::Remark { text, .. } => self.remarks.push(text),
            KernelEvent::Progress { source: WatchSource::Trace, to } => {
                assert!(to > self.to);
                self.to = to;
            }
            _ => {}
        }
    }

    /// Waits until so many witnesses and gaps have come.
    async fn until(&mut self, witnesses: usize, gaps: usize) {
        while self.witnesses.len() < witnesses || self.gaps.len() < gaps {
            let event = self.rx.recv().await.unwrap();
            self.take(event);
        }
        assert_eq!((self.witnesses.len(), self.gaps.len()), (witnesses, gaps));
    }

    async fn end(mut self) -> Watched {
        self.stop.send(true).unwrap();
        while let Some(event) = self.rx.recv().await {
            self.take(event);
        }
        (&mut self.task).await.unwrap();
        self
    }

    fn labels(&self) -> Vec<&str> {
        self.witnesses.iter().filter_map(|w| w.label.as_deref()).collect()
    }
}

fn writer(instance: &Path, cpu: u32) -> std::fs::File {
    OpenOptions::new().write(true).open(instance.join(format!("per_cpu/cpu{cpu}/trace_pipe_raw"))).unwrap()
}

#[tokio::test]
async fn fifos_in_the_place_of_rings() {
    let root = tempfile::tempdir().unwrap();
    let dir = tracefs(root.path(), 2, true);
    let mut w = Watched::start(root.path()).await;
    let read = |name: &str| std::fs::read_to_string(dir.join(name)).unwrap();
    let enabled = || ["ras/mc_event", "mce/mce_record"].map(|e| read(&format!("events/{e}/enable")).as_bytes()[0]);
    assert_eq!((enabled(), read("buffer_percent").as_bytes()[0]), (*b"11", b'0'));
    assert!(read("buffer_size_kb").starts_with("4096"));

    let (mut cpu0, mut cpu1) = (writer(&dir, 0), writer(&dir, 1));
    cpu1.write_all(&page(None, &[(1000, "B1"), (2000, "B2")])).unwrap();
    w.until(2, 0).await;
    // Two pages in one write, and one in two.
    cpu0.write_all(&[page(None, &[(1500, "A1")]), page(None, &[(1600, "A2")])].concat()).unwrap();
    w.until(4, 0).await;
    let halves = page(None, &[(1700, "A3")]);
    cpu0.write_all(&halves[..1000]).unwrap();
    cpu0.flush().unwrap();
    cpu1.write_all(&page(None, &[(3000, "B3")])).unwrap();
    w.until(5, 0).await;
    cpu0.write_all(&halves[1000..]).unwrap();
    w.until(6, 0).await;
    // The writer goes and another one comes.
    drop(cpu0);
    writer(&dir, 0).write_all(&page(None, &[(1800, "A4")])).unwrap();
    w.until(7, 0).await;
    assert_eq!(w.labels(), ["B1", "B2", "A1", "A2", "B3", "A3", "A4"]);

    // What is written just before the end is still read.
    cpu1.write_all(&page(None, &[(4000, "B4")])).unwrap();
    let w = w.end().await;
    assert_eq!(w.labels().last(), Some(&"B4"));
    assert!(w.gaps.is_empty() && w.remarks.is_empty());
    assert_eq!(enabled(), *b"00");
}

#[tokio::test]
async fn losses_and_damage_are_gaps() {
    let root = tempfile::tempdir().unwrap();
    let dir = tracefs(root.path(), 1, true);
    let mut w = Watched::start(root.path()).await;
    let begun = clocks::mono();
    let mut cpu0 = writer(&dir, 0);
    let future = clocks::mono().0 + 60_000_000_000;
    cpu0.write_all(&page(None, &[(future, "A1")])).unwrap();
    w.until(1, 0).await;
    cpu0.write_all(&page(Some(12), &[(future + 700, "A2"), (future + 800, "A3")])).unwrap();
    w.until(3, 1).await;
    assert_eq!(w.gaps[0].span, Span::new(Mono(future), Mono(future + 700)));
    assert_eq!(
        (w.gaps[0].of.as_str(), w.gaps[0].why.as_str()),
        ("mc_event", "the trace ring of CPU 0 overran: 12 records lost")
    );
    // A page whose second record says an impossible length: the first is still read.
    let mut damaged = page(None, &[(future + 900, "A4"), (future + 950, "A5")]);
    let second = 16 + 4 + record("A4").len();
    damaged[second..second + 8].copy_from_slice(&[0, 0, 0, 0, 255, 255, 255, 255]);
    cpu0.write_all(&damaged).unwrap();
    w.until(4, 2).await;
    // One without sense at all, and one that is good again.
    cpu0.write_all(&[0xff; 4096]).unwrap();
    w.until(4, 3).await;
    cpu0.write_all(&page(None, &[(future + 1000, "A6")])).unwrap();
    w.until(5, 3).await;
    // A record that is too short for its event; and one of an event that nobody asked for.
    let l = layout();
    let mut pages = PageWriter::new(&l);
    pages.push(Mono(future + 1100), &record("A7")[..40]);
    pages.push(Mono(future + 1200), &[5, 0, 0, 0]);
    cpu0.write_all(&pages.take().concat()).unwrap();
    w.until(5, 4).await;
    assert_eq!(w.gaps[3].span, Span::new(Mono(future + 1000), Mono(future + 1100)));
    // Losses that only the counts tell.
    std::fs::write(dir.join("per_cpu/cpu0/stats"), "entries: 0\noverrun: 12\ncommit overrun: 1\ndropped events: 4\n")
        .unwrap();
    let w = w.end().await;
    assert_eq!(w.labels(), ["A1", "A2", "A3", "A4", "A6"]);
    assert_eq!(w.gaps.len(), 5);
    assert!(w.gaps[4].why.contains("lost 5 records") && w.gaps[4].span.from >= begun.minus(1_000_000_000));
    let told: Vec<_> =
        w.remarks.iter().filter(|r| r.starts_with("the trace ring holds what does not decode")).collect();
    assert_eq!(told.len(), 1, "said once, counted always");
    assert_eq!(w.remarks.last().unwrap(), "3 sub-buffers or records of the trace ring did not decode");
}

#[tokio::test]
async fn plain_files_are_read_without_waiting_for_them() {
    let root = tempfile::tempdir().unwrap();
    let dir = tracefs(root.path(), 2, false);
    let append = |cpu: u32, bytes: &[u8]| {
        let path = dir.join(format!("per_cpu/cpu{cpu}/trace_pipe_raw"));
        OpenOptions::new().append(true).open(path).unwrap().write_all(bytes).unwrap();
    };
    append(0, &page(None, &[(1000, "A1")]));
    let mut w = Watched::start(root.path()).await;
    w.until(1, 0).await;
    append(1, &page(None, &[(2000, "B1")]));
    w.until(2, 0).await;
    // A machine check beside the memory events.
    let format = Format::parse(build::MCE_RECORD_FORMAT).unwrap();
    let l = layout();
    let mut pages = PageWriter::new(&l);
    pages.push(Mono(3000), &RecordWriter::new(&format).int("status", 0x8c00_0040_0001_0090).int("bank", 8).finish());
    append(0, &pages.take().concat());
    w.until(3, 0).await;
    let w = w.end().await;
    assert_eq!((w.witnesses[2].source, w.labels()), (Source::MceRecord, vec!["A1", "B1"]));
}

#[test]
fn what_is_missing_is_named() {
    let root = tempfile::tempdir().unwrap();
    let open = || TraceInstance::open(root.path(), NAME, &TraceSetup::default());
    let error = open().unwrap_err();
    assert!(matches!(error, TraceError::NoTracefs { .. }) && error.advice().contains("mount -t tracefs"));
    let dir = tracefs(root.path(), 1, false);
    // An event that this kernel has not is a remark; one whose fields are not known is not enabled.
    std::fs::remove_dir_all(dir.join("events/mce")).unwrap();
    assert_eq!(open().unwrap().missing(), ["mce/mce_record: this kernel does not have it"]);
    let format = dir.join("events/ras/mc_event/format");
    std::fs::write(&format, build::MC_EVENT_FORMAT.replace(" syndrome;", " symptom;")).unwrap();
    let error = open().unwrap_err();
    let TraceError::NoEvent { missing } = &error else { panic!("{error}") };
    assert!(missing[0].contains("the field syndrome is missing"), "{missing:?}");
    assert!(std::fs::read_to_string(dir.join("events/ras/mc_event/enable")).unwrap().starts_with('0'));
    std::fs::write(dir.join("events/header_page"), "\tfield: u64 timestamp;\toffset:0;\tsize:8;\tsigned:0;\n").unwrap();
    assert!(open().unwrap_err().to_string().contains("header_page: the field commit is missing"));
}
