//! The live microphone, through `cpal`.
//!
//! The sound card's thread only moves samples into a ring that never locks; whoever reads the ring
//! does everything else. The stream lives on a keeper thread of its own, because closing a device
//! that has stopped answering may never return: stopping waits for it a bounded time and leaves it.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{self, RecvTimeoutError};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::Duration;

use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{BufferSize, Data, Device, SampleFormat, StreamConfig};

use crate::problem::Problem;

/// Seconds of sound the ring holds: recognition may fall behind that far.
const RING_SECONDS: usize = 20;
/// How long opening may take.
const OPEN: Duration = Duration::from_secs(5);
/// How long closing is waited for.
const CLOSE: Duration = Duration::from_millis(700);

/// What microphone is wanted; what is not said is the device's own choice.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Wanted {
    /// Device as `cotside devices` names it.
    pub device: Option<String>,
    /// Samples a second.
    pub rate: Option<u32>,
    /// Channels.
    pub channels: Option<u16>,
    /// Format of a sample.
    pub format: Option<Format>,
}

/// Format of a sample.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// 16 bit.
    I16,
    /// 32 bit.
    I32,
    /// Float.
    F32,
}

impl Format {
    /// The format of that name.
    pub fn named(name: &str) -> Option<Format> {
        match name {
            "i16" => Some(Format::I16),
            "i32" => Some(Format::I32),
            "f32" => Some(Format::F32),
            _ => None,
        }
    }

    fn cpal(self) -> SampleFormat {
        match self {
            Format::I16 => SampleFormat::I16,
            Format::I32 => SampleFormat::I32,
            Format::F32 => SampleFormat::F32,
        }
    }
}

/// A microphone that can be chosen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listed {
    /// The name to give.
    pub id: String,
    /// What the system calls it.
    pub name: String,
    /// Whether it is taken when none is named.
    pub default: bool,
    /// What it offers by itself, for people.
    pub offers: String,
}

/// All microphones.
///
/// # Errors
/// When the system's sound cannot be asked.
pub fn devices() -> Result<Vec<Listed>, Problem> {
    let host = cpal::default_host();
    let id = |d: &Device| d.id().map(|i| i.to_string()).unwrap_or_default();
    let first = host.default_input_device().map(|d| id(&d));
    let all = host.input_devices().map_err(|e| no_sound(&e.to_string()))?;
    Ok(all
        .map(|d| {
            let offers = d.default_input_config().map_or_else(
                |e| format!("cannot be opened: {e}"),
                |c| {
                    format!(
                        "{} Hz, {} channel(s), {:?}",
                        c.sample_rate(),
                        c.channels(),
                        c.sample_format()
                    )
                },
            );
            let name = d.description().map(|n| n.name().to_owned()).unwrap_or_default();
            let id = id(&d);
            Listed { default: Some(&id) == first.as_ref(), id, name, offers }
        })
        .collect())
}

fn no_sound(why: &str) -> Problem {
    Problem::in_file("microphone", format!("the system's sound cannot be asked: {why}"))
        .help("check that a sound server or ALSA is there")
}

/// What the sound card's thread reports.
#[derive(Debug, Default)]
struct Shared {
    /// Samples put into the ring.
    given: AtomicU64,
    /// Samples that found the ring full.
    dropped: AtomicU64,
    /// Error calls, however many there are.
    errors: AtomicU64,
    lost: AtomicBool,
    /// The first error's text.
    why: Mutex<Option<String>>,
}

/// An open microphone. Dropping it closes it, in bounded time.
pub struct Microphone {
    /// Samples a second.
    pub rate: u32,
    /// Its name.
    pub name: String,
    ring: rtrb::Consumer<f32>,
    shared: Arc<Shared>,
    stop: mpsc::Sender<()>,
    closed: mpsc::Receiver<()>,
}

impl Microphone {
    /// Opens the microphone that is wanted and starts it.
    ///
    /// # Errors
    /// Says what cannot be had, and what can.
    pub fn open(wanted: &Wanted) -> Result<Microphone, Problem> {
        let (opened, open) = mpsc::channel();
        let (stop, stopped) = mpsc::channel::<()>();
        let (closing, closed) = mpsc::channel();
        let shared = Arc::new(Shared::default());
        let (theirs, wanted) = (Arc::clone(&shared), wanted.clone());
        thread::spawn(move || {
            let stream = match start(&wanted, &theirs) {
                Ok((stream, rate, name, ring)) => {
                    let _ = opened.send(Ok((rate, name, ring)));
                    stream
                }
                Err(p) => {
                    let _ = opened.send(Err(p));
                    return;
                }
            };
            // Whether told to stop or left alone, the stream ends here.
            let _ = stopped.recv();
            drop(stream);
            let _ = closing.send(());
        });
        match open.recv_timeout(OPEN) {
            Ok(Ok((rate, name, ring))) => Ok(Microphone { rate, name, ring, shared, stop, closed }),
            Ok(Err(p)) => Err(p),
            Err(RecvTimeoutError::Timeout | RecvTimeoutError::Disconnected) => {
                Err(Problem::in_file("microphone", "it does not answer within 5 s")
                    .help("choose another with --device; `cotside devices` lists them"))
            }
        }
    }

    /// Moves what has come in to `out`, one channel, at [`Microphone::rate`].
    pub fn take(&mut self, out: &mut Vec<f32>) {
        let n = self.ring.slots();
        let Ok(chunk) = self.ring.read_chunk(n) else { return };
        let (a, b) = chunk.as_slices();
        out.extend_from_slice(a);
        out.extend_from_slice(b);
        chunk.commit_all();
    }

    /// Samples that were lost because nobody took them in time.
    pub fn dropped(&self) -> u64 {
        self.shared.dropped.load(Ordering::Relaxed)
    }

    /// Samples that came in so far.
    pub fn given(&self) -> u64 {
        self.shared.given.load(Ordering::Relaxed)
    }

    /// Why the device is gone, when it said so itself.
    pub fn lost(&self) -> Option<String> {
        if !self.shared.lost.load(Ordering::Acquire) {
            return None;
        }
        let why = self.shared.why.lock().ok().and_then(|w| w.clone());
        Some(why.unwrap_or_else(|| "the device reported an error".into()))
    }
}

impl Drop for Microphone {
    fn drop(&mut self) {
        let _ = self.stop.send(());
        // A device that hangs is left to its thread.
        let _ = self.closed.recv_timeout(CLOSE);
    }
}

type Started = (cpal::Stream, u32, String, rtrb::Consumer<f32>);

fn start(wanted: &Wanted, shared: &Arc<Shared>) -> Result<Started, Problem> {
    let host = cpal::default_host();
    let named = wanted.device.as_deref().unwrap_or("the default microphone");
    let refuse = |what: String| {
        Problem::in_file(named, what)
            .help("`cotside devices` lists what there is; --rate, --channels and --format choose")
    };
    let device = match &wanted.device {
        None => host.default_input_device(),
        Some(want) => {
            let by_id = want.parse().ok().and_then(|id| host.device_by_id(&id));
            by_id.or_else(|| {
                let named = |d: &Device| d.description().is_ok_and(|n| n.name() == want);
                host.input_devices().ok()?.find(named)
            })
        }
    };
    let device = device.ok_or_else(|| refuse("there is no such microphone".into()))?;
    let own = device.default_input_config();
    let (rate, channels, format) = match (&own, wanted) {
        (_, Wanted { rate: Some(r), channels: Some(c), format: Some(f), .. }) => (*r, *c, f.cpal()),
        (Ok(own), w) => (
            w.rate.unwrap_or(own.sample_rate()),
            w.channels.unwrap_or(own.channels()),
            w.format.map_or(own.sample_format(), Format::cpal),
        ),
        (Err(e), _) => return Err(refuse(format!("it cannot be asked what it offers: {e}"))),
    };
    let config = StreamConfig { channels, sample_rate: rate, buffer_size: BufferSize::Default };
    let (mut producer, consumer) = rtrb::RingBuffer::new(rate as usize * RING_SECONDS);
    let (data_shared, error_shared) = (Arc::clone(shared), Arc::clone(shared));
    let wide = usize::from(channels.max(1));
    let on_data = move |data: &Data, _: &cpal::InputCallbackInfo| {
        let (mut given, mut dropped) = (0, 0);
        let mut put = |mono: f32| match producer.push(mono) {
            Ok(()) => given += 1,
            Err(_) => dropped += 1,
        };
        match data.sample_format() {
            SampleFormat::I16 => mixed(data.as_slice::<i16>(), wide, 1.0 / 32_768.0, &mut put),
            SampleFormat::I32 => {
                mixed(data.as_slice::<i32>(), wide, 1.0 / 2_147_483_648.0, &mut put);
            }
            SampleFormat::U8 => {
                for frame in data.as_slice::<u8>().unwrap_or_default().chunks_exact(wide) {
                    let sum: f32 = frame.iter().map(|s| (f32::from(*s) - 128.0) / 128.0).sum();
                    put(sum / wide as f32);
                }
            }
            _ => {
                for frame in data.as_slice::<f32>().unwrap_or_default().chunks_exact(wide) {
                    put(frame.iter().sum::<f32>() / wide as f32);
                }
            }
        }
        data_shared.given.fetch_add(given, Ordering::Relaxed);
        data_shared.dropped.fetch_add(dropped, Ordering::Relaxed);
    };
    let on_error = move |e: cpal::Error| {
        // A dead device may call this hundreds of thousands of times a second: only the first
        // says anything.
        if error_shared.errors.fetch_add(1, Ordering::Relaxed) > 0 {
            return;
        }
        if matches!(e.kind(), cpal::ErrorKind::Xrun | cpal::ErrorKind::RealtimeDenied) {
            error_shared.errors.store(0, Ordering::Relaxed);
            return;
        }
        if let Ok(mut why) = error_shared.why.try_lock() {
            *why = Some(e.to_string());
        }
        error_shared.lost.store(true, Ordering::Release);
    };
    let stream =
        device.build_input_stream_raw(config, format, on_data, on_error, None).map_err(|e| {
            refuse(format!("cannot be opened at {rate} Hz, {channels} channel(s): {e}"))
        })?;
    stream.play().map_err(|e| refuse(format!("cannot be started: {e}")))?;
    let name = device.description().map(|d| d.name().to_owned()).unwrap_or_else(|_| named.into());
    Ok((stream, rate, name, consumer))
}

fn mixed<T: Copy>(data: Option<&[T]>, wide: usize, scale: f64, put: &mut impl FnMut(f32))
where
    f64: From<T>,
{
    for frame in data.unwrap_or_default().chunks_exact(wide) {
        let sum: f64 = frame.iter().map(|s| f64::from(*s)).sum();
        put((sum * scale / wide as f64) as f32);
    }
}
