//! The task that looks at the machine again and again.
//!
//! Making the text of `/proc/interrupts` costs the kernel time for every CPU and every interrupt there is, so the next look
//! waits the longer, the longer this one took. It is done beside the daemon's thread, which the trace ring needs.

use super::sampler::MachineSampler;
use crate::event::KernelEvent;
use crate::shutdown;
use std::path::PathBuf;
use std::time::Duration;
use tokio::sync::{mpsc, watch};

/// A look may take this share of the time, one part in so many.
const SHARE: u32 = 1000;
/// However long a look takes, the next one comes within this time.
const LONGEST: Duration = Duration::from_secs(30);

/// How the machine is looked at.
#[derive(Clone, Debug)]
pub struct MachineConfig {
    /// `/sys`.
    pub sys: PathBuf,
    /// `/proc`.
    pub proc: PathBuf,
    /// From one look to the next, where looking is cheap.
    pub interval: Duration,
}

/// Looks until told to stop, then once more. Ends early only if nobody receives any more.
pub async fn run_machine<T>(config: MachineConfig, tx: mpsc::Sender<T>, mut shutdown: watch::Receiver<bool>)
where
    T: From<KernelEvent> + Send + 'static,
{
    let mut sampler = MachineSampler::new(&config.sys, &config.proc);
    let mut stop = false;
    let mut last_took = Duration::ZERO;
    loop {
        if stop {
            sampler.look_at_settings();
        }
        let began = clocks::mono();
        let looked = tokio::task::spawn_blocking(move || {
            let sample = sampler.look();
            (sampler, sample)
        });
        let Ok((back, sample)) = looked.await else { return };
        sampler = back;
        if let Some(sample) = sample
            && tx.send(KernelEvent::Machine(sample).into()).await.is_err()
        {
            return;
        }
        if stop {
            return;
        }
        // Of two looks the shorter: one that was held up says nothing about what looking costs.
        let took = clocks::elapsed_since(began);
        let wait = pause(config.interval, took.min(std::mem::replace(&mut last_took, took)));
        stop = tokio::select! {
            biased;
            () = shutdown::requested(&mut shutdown) => true,
            () = tokio::time::sleep(wait) => false,
        };
    }
}

/// How long to wait after a look that took so long.
fn pause(interval: Duration, took: Duration) -> Duration {
    took.saturating_mul(SHARE).min(LONGEST).max(interval)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn looking_takes_a_thousandth_of_the_time_at_most_where_it_can() {
        let [interval, ms] = [1000, 1].map(Duration::from_millis);
        assert_eq!(pause(interval, Duration::from_micros(200)), interval);
        assert_eq!(pause(interval, ms * 8), ms * 8000);
        assert_eq!(pause(interval, ms * 500), LONGEST);
    }

    #[tokio::test]
    async fn the_first_look_is_sent_and_the_last_one_too() {
        let dir = tempfile::tempdir().unwrap();
        let (sys, proc) = (dir.path().join("sys"), dir.path().join("proc"));
        std::fs::create_dir_all(&proc).unwrap();
        let config = MachineConfig { sys, proc: proc.clone(), interval: Duration::from_secs(3600) };
        let (tx, mut rx) = mpsc::channel::<KernelEvent>(4);
        let (stop, stopped) = watch::channel(false);
        let task = tokio::spawn(run_machine(config, tx, stopped));
        let Some(KernelEvent::Machine(first)) = rx.recv().await else { panic!("no first look") };
        std::fs::write(proc.join("interrupts"), "THR:  2  Threshold APIC interrupts\n").unwrap();
        stop.send(true).unwrap();
        let Some(KernelEvent::Machine(last)) = rx.recv().await else { panic!("no last look") };
        assert_eq!((first.counts.thr, last.counts.thr), (None, Some(2)));
        assert!(rx.recv().await.is_none());
        task.await.unwrap();
    }
}
