//! `lowgear log`.

use super::EXIT_STOPPED;
use super::replace::Replace;
use crate::error::StudyError;
use crate::stop::StopRequest;
use crate::store::{StoreError, begin};
use crate::terminal::print_message;
use lowgear_env::config::{escaped, load, shown};
use lowgear_env::vehicle::VehicleConfig;
use lowgear_onboard::Header;
use lowgear_sysid::recording::{Decoder, LOG_HEADINGS, RecordedTick, log_row};
use std::fs::File;
use std::io::{self, BufWriter, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::time::{Duration, Instant};

/// Bytes that are read at once.
const CHUNK_BYTES: usize = 1 << 16;
/// How often a stop request is looked for while nothing arrives.
const WAIT: Duration = Duration::from_millis(100);
/// Time between two lines of progress.
const PROGRESS: Duration = Duration::from_secs(10);

/// Decode recordings of an exported controller into a log.
///
/// Reads what the recorder of an exported controller wrote: files, a serial device, or - for standard input. A device is
/// followed until it ends or Ctrl-C is pressed. Writes one CSV row per tick, as fit, validate, replay and trial read
/// it, and reports what was damaged or lost.
#[derive(clap::Args)]
#[command(
    after_help = "Example, in a folder made by `lowgear new`, drive.bin being your recording:\n  lowgear log drive.bin --out run.csv"
)]
pub(super) struct LogArguments {
    /// Recordings, in the order in which they were made; - is standard input
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// Log to write (CSV)
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    /// Vehicle file (TOML), for recordings without a header
    #[arg(long, value_name = "FILE")]
    vehicle: Option<PathBuf>,
    #[command(flatten)]
    replace: Replace,
}

pub(super) fn run(arguments: &LogArguments) -> Result<String, StudyError> {
    arguments.replace.outputs(arguments.files.iter().chain(&arguments.vehicle)).check(&arguments.out)?;
    let header = match &arguments.vehicle {
        Some(file) => {
            let vehicle: VehicleConfig = load(file)?;
            Some(Header::new(&vehicle.controller_settings(), [[0; 4]; 2]))
        }
        None => None,
    };
    let stop = StopRequest::listen(EXIT_STOPPED)?;
    let (sibling, begun) = begin(&arguments.out)?;
    let mut out = LogWriter { rows: BufWriter::new(begun), place: &arguments.out, header, early: Vec::new() };
    let headings = out.line(LOG_HEADINGS);
    let decoded = headings.and_then(|()| decode_all(&arguments.files, &mut out, &stop));
    let written = decoded.and_then(|notes| out.finish(&sibling).map(|()| notes));
    if written.is_err() {
        // Half a log is of no use.
        let _ = std::fs::remove_file(&sibling);
    }
    Ok(format!("{}log: {}\n", written?, shown(&arguments.out)))
}

/// Decodes one file after the other; what was met in each, in words.
fn decode_all(files: &[PathBuf], out: &mut LogWriter<'_>, stop: &StopRequest) -> Result<String, StudyError> {
    let mut notes = String::new();
    for file in files {
        let mut decoder = Decoder::new();
        let chunks = chunks(file)?;
        let mut reported = Instant::now();
        while !stop.is_made() {
            match chunks.recv_timeout(WAIT) {
                Ok(chunk) => {
                    let chunk = chunk.map_err(StoreError::io(file))?;
                    out.take(&mut decoder, &chunk)?;
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => break,
            }
            if reported.elapsed() >= PROGRESS {
                reported = Instant::now();
                print_message(&format!("{} frames so far", decoder.counters().frames));
            }
        }
        decoder.finish();
        out.flush_early(&decoder, file)?;
        let name = escaped(&file.file_name().unwrap_or_default().to_string_lossy());
        if decoder.counters().frames == 0 {
            let version = decoder.other_version();
            return Err(StudyError::NoFrames { file: file.clone(), version });
        }
        decoder.counters().text().lines().for_each(|line| notes.push_str(&format!("{name}: {line}\n")));
    }
    Ok(notes)
}

/// Reads a file, a device or standard input on a thread of its own, so that waiting for the next byte does not keep a
/// stop request from being heard.
fn chunks(file: &Path) -> Result<Receiver<io::Result<Vec<u8>>>, StudyError> {
    let mut source: Box<dyn Read + Send> = if file == Path::new("-") {
        Box::new(io::stdin())
    } else {
        Box::new(File::open(file).map_err(StoreError::io(file))?)
    };
    let (sender, receiver) = sync_channel(4);
    std::thread::spawn(move || {
        let mut buffer = vec![0; CHUNK_BYTES];
        loop {
            let chunk = match source.read(&mut buffer) {
                Ok(0) => break,
                Ok(count) => Ok(buffer[..count].to_vec()),
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                Err(error) => Err(error),
            };
            let failed = chunk.is_err();
            if sender.send(chunk).is_err() || failed {
                break;
            }
        }
    });
    Ok(receiver)
}

/// The log being written.
struct LogWriter<'a> {
    rows: BufWriter<File>,
    place: &'a Path,
    header: Option<Header>,
    /// Frames before the first header: at most those between two headers, unless there is none.
    early: Vec<RecordedTick>,
}

/// Frames that may come before the first header.
const MOST_EARLY: usize = 100_000;

impl LogWriter<'_> {
    fn take(&mut self, decoder: &mut Decoder, chunk: &[u8]) -> Result<(), StudyError> {
        let mut ticks = Vec::new();
        chunk.iter().for_each(|byte| decoder.push(*byte, |tick| ticks.push(*tick)));
        let Some(header) = decoder.header().copied().or(self.header) else {
            self.early.extend(ticks);
            self.early.truncate(MOST_EARLY);
            return Ok(());
        };
        self.header = Some(header);
        let early = std::mem::take(&mut self.early);
        early.iter().chain(&ticks).try_for_each(|tick| self.row(tick, &header))
    }

    /// Frames that came without any header.
    fn flush_early(&mut self, decoder: &Decoder, file: &Path) -> Result<(), StudyError> {
        let early = std::mem::take(&mut self.early);
        match decoder.header().copied().or(self.header) {
            Some(header) => early.iter().try_for_each(|tick| self.row(tick, &header)),
            None if early.is_empty() => Ok(()),
            None => Err(StudyError::NoHeader { file: file.to_owned() }),
        }
    }

    fn row(&mut self, tick: &RecordedTick, header: &Header) -> Result<(), StudyError> {
        self.line(&log_row(tick, header))
    }

    fn line(&mut self, text: &str) -> Result<(), StudyError> {
        writeln!(self.rows, "{text}").map_err(|reason| StoreError::io(self.place)(reason).into())
    }

    /// Puts the whole log in its place.
    fn finish(self, sibling: &Path) -> Result<(), StudyError> {
        let failed = StoreError::io(self.place);
        let whole = || -> io::Result<()> {
            self.rows.into_inner().map_err(io::IntoInnerError::into_error)?.sync_all()?;
            std::fs::rename(sibling, self.place)
        };
        whole().map_err(|reason| failed(reason).into())
    }
}
