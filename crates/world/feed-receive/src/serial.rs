//! A feed on a serial line: 8 data bits, no parity, one stop bit, no flow control. The device may vanish and come back,
//! as USB devices do; the time without it is a gap.

use crate::bridge::LatencyTimer;
use crate::down::Downtime;
use crate::output::{Output, Stopped};
use crate::stream::{End, Readable, serve};
use crate::{FeedEvent, FeedSpec};
use serial2_tokio::SerialPort;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

/// How often a device that is not there is tried.
const RETRY: Duration = Duration::from_secs(1);

pub(crate) async fn run<T: From<FeedEvent> + Send>(
    spec: &Arc<FeedSpec>,
    output: &mut Output<T>,
    path: &Path,
    baud: u32,
) {
    let peer = format!("{} at {baud} baud", path.display());
    let mut down = Downtime::none(spec);
    let mut told = None;
    loop {
        // A plain number means raw mode, 8N1 and no flow control.
        let why = match SerialPort::open(path, baud) {
            Ok(port) => {
                down.end(output).await;
                let timer = LatencyTimer::read(&spec.sys, path);
                if timer != told {
                    if let Some(timer) = &timer
                        && output.send(FeedEvent::Remark(timer.told(&spec.name))).await == Err(Stopped)
                    {
                        break;
                    }
                    told = timer;
                }
                let (reader, writer) = tokio::io::split(port);
                // Nobody waits for replies behind a device that is gone.
                let patience = Duration::ZERO;
                match serve(spec, output, peer.clone(), &mut Readable::new(reader), Some(writer), patience).await {
                    End::Stopped => break,
                    End::Finished => "the device is gone".to_owned(),
                    end => end.why(),
                }
            }
            Err(error) => error.to_string(),
        };
        down.begin(format!("{}: {why}", path.display()), output).await;
        if output.pause(RETRY).await.is_err() {
            break;
        }
    }
    down.end(output).await;
}
