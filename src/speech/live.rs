//! Live hearing: microphone to phrases, on threads of its own.
//!
//! The *ear* moves sound from the microphone to the WAV file and cuts it into stretches; the
//! *recogniser's* thread turns stretches into words. Neither waits for the other, nor for whoever
//! takes the events. A stretch is recognised as soon as it may be over; once the pause behind it has lasted,
//! its words are there already, and if more was said instead, they are forgotten. A microphone that is lost is told at once, and opened again as soon as it
//! can be.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread::{Scope, sleep};
use std::time::{Duration, Instant};

use super::activity::{Activity, Stretch};
use super::{Heard, MISTAKE, Piece, Recogniser};
use crate::capture::sound::microphone::{Microphone, Wanted};
use crate::capture::sound::{Recording, Resampler, ms_at};
use crate::capture::{Phrase, Source};
use crate::problem::Problem;

/// How often the ear looks into the ring.
const ROUND: Duration = Duration::from_millis(15);
/// No sample for this long, and the microphone is lost.
pub const SILENT: Duration = Duration::from_millis(500);
/// From one attempt to open it again to the next.
const AGAIN: Duration = Duration::from_secs(1);
/// From one report of the level to the next.
const LEVEL: Duration = Duration::from_millis(200);
/// Most samples of silence put in at once.
const FILL: u64 = 16_384;
/// Sound kept for stretches under way, samples: 30 s.
const KEPT: usize = 30 * 16_000;

/// What happens while listening. Times are milliseconds on the exam clock.
#[derive(Debug)]
pub enum Event {
    /// The microphone is open.
    Open {
        /// Its name and format, for people.
        name: String,
        /// The sound file, from the exam folder on.
        file: Option<String>,
        /// When.
        at_ms: u64,
    },
    /// How loud it is.
    Level {
        /// Loudest sample since the last report, in decibels below the loudest possible.
        db: f32,
        /// Whether speech is under way.
        speaking: bool,
    },
    /// Words.
    Phrase {
        /// As heard.
        phrase: Phrase,
        /// When the speech ended, on the system's steady clock.
        ended: Instant,
    },
    /// A stretch without words.
    Noise,
    /// The microphone is gone.
    Lost {
        /// Why.
        why: String,
        /// Since when nothing is heard.
        at_ms: u64,
    },
    /// It is back; nothing was heard in between.
    Back {
        /// Since when.
        from_ms: u64,
        /// Until when.
        to_ms: u64,
    },
    /// Sound was lost because the machine was too slow; silence stands in its place.
    Dropped {
        /// Samples.
        samples: u64,
        /// From when on it is missing.
        from_ms: u64,
        /// Until when.
        to_ms: u64,
    },
    /// The sound file cannot be written any more; hearing goes on.
    NotRecording {
        /// Why.
        why: String,
    },
    /// The recogniser failed on one stretch of speech, and goes on with the next.
    Unheard {
        /// Why.
        why: String,
        /// Start of the speech.
        from_ms: u64,
        /// Its end.
        to_ms: u64,
    },
}

/// What the ear is told while it runs.
#[derive(Debug, Default)]
pub struct Orders {
    /// Nothing is to be heard: the program itself is sounding.
    pub deaf: AtomicBool,
    /// Nothing is to be recorded.
    pub paused: AtomicBool,
    /// Stop.
    pub stop: AtomicBool,
    /// Stretches on their way through the recogniser.
    pub waiting: AtomicU64,
}

/// How to listen.
#[derive(Clone)]
pub struct Setup {
    /// Which microphone.
    pub wanted: Wanted,
    /// The exam's folder, when sound is to be kept beside the journal.
    pub record_in: Option<PathBuf>,
    /// The exam clock, milliseconds.
    pub now_ms: Arc<dyn Fn() -> u64 + Send + Sync>,
}

/// What the ear hands to the recogniser.
enum Job {
    /// A stretch that is over if no more is said: to be heard ahead, and told to nobody.
    Perhaps(Cut),
    /// A stretch that is over.
    Over(Cut),
}

struct Cut {
    sound: Vec<f32>,
    from_ms: u64,
    start_ms: u64,
    end_ms: u64,
    ended: Instant,
}

impl Cut {
    /// What tells one stretch from another: the same sound from the same moment on.
    fn place(&self) -> (u64, u64, usize) {
        (self.from_ms, self.end_ms, self.sound.len())
    }

    fn piece(&self) -> Piece<'_> {
        let Cut { sound, from_ms, start_ms, end_ms, .. } = self;
        Piece { sound, from_ms: *from_ms, start_ms: *start_ms, end_ms: *end_ms }
    }
}

/// Starts listening. Both threads end when told to stop; the events end with them.
///
/// # Errors
/// When the microphone cannot be opened to begin with.
pub fn listen<'scope, 'env>(
    scope: &'scope Scope<'scope, 'env>,
    recogniser: &'env dyn Recogniser,
    setup: Setup,
    orders: Arc<Orders>,
) -> Result<Receiver<Event>, Problem> {
    let microphone = Microphone::open(&setup.wanted)?;
    let (events, taken) = channel();
    let (jobs, to_hear) = channel::<Job>();
    let (mine, theirs) = (events.clone(), Arc::clone(&orders));
    scope.spawn(move || recognise(recogniser, &to_hear, &mine, &theirs));
    scope.spawn(move || Ear::new(microphone, setup, events, jobs, orders).run());
    Ok(taken)
}

/// Turns stretches into words until there are no more, or nobody takes them.
fn recognise(
    recogniser: &dyn Recogniser,
    jobs: &Receiver<Job>,
    events: &Sender<Event>,
    orders: &Orders,
) {
    let mut ahead = None;
    let mut next = None;
    while let Some(job) = next.take().or_else(|| jobs.recv().ok()) {
        match job {
            Job::Perhaps(cut) => {
                // What came behind it knows better whether it is over.
                next = jobs.try_recv().ok();
                if next.is_none() {
                    ahead = Some((cut.place(), heard(recogniser, &cut)));
                }
            }
            Job::Over(cut) => {
                let known = ahead.take().filter(|(place, _)| *place == cut.place());
                let event = match known.map_or_else(|| heard(recogniser, &cut), |(_, h)| h) {
                    Ok(heard) => worded(heard, &cut.piece(), cut.ended),
                    Err(why) => Event::Unheard { why, from_ms: cut.start_ms, to_ms: cut.end_ms },
                };
                orders.waiting.fetch_sub(1, Ordering::AcqRel);
                if events.send(event).is_err() {
                    return;
                }
            }
        }
    }
}

/// What was said in a stretch. A mistake in the recogniser costs that stretch, which is told, and not the exam.
fn heard(recogniser: &dyn Recogniser, cut: &Cut) -> Result<Heard, String> {
    match catch_unwind(AssertUnwindSafe(|| recogniser.hear(&cut.piece()))) {
        Ok(heard) => heard.map_err(|p| p.message),
        Err(_) => Err(MISTAKE.into()),
    }
}

fn worded(heard: Heard, piece: &Piece<'_>, ended: Instant) -> Event {
    match heard.phrase(piece, Source::Voice) {
        Some(phrase) => Event::Phrase { phrase, ended },
        None => Event::Noise,
    }
}

struct Ear {
    microphone: Option<Microphone>,
    setup: Setup,
    events: Sender<Event>,
    jobs: Sender<Job>,
    orders: Arc<Orders>,
    recording: Option<Recording>,
    resampler: Option<Resampler>,
    activity: Activity,
    /// The stretch last handed on to be heard ahead.
    foreseen: Option<Stretch>,
    /// Exam time at which the sample 0 of `heard` stands.
    origin_ms: u64,
    /// 16 kHz sound since the microphone was opened; its beginning is let go.
    heard: Vec<f32>,
    let_go: usize,
    loudest: f32,
    told: Instant,
    last_sample: Instant,
    last_sample_ms: u64,
    dropped: u64,
}

impl Ear {
    fn new(
        microphone: Microphone,
        setup: Setup,
        events: Sender<Event>,
        jobs: Sender<Job>,
        orders: Arc<Orders>,
    ) -> Self {
        let mut ear = Ear {
            microphone: None,
            events,
            jobs,
            orders,
            recording: None,
            resampler: None,
            activity: Activity::default(),
            foreseen: None,
            origin_ms: 0,
            heard: Vec::new(),
            let_go: 0,
            loudest: 0.0,
            told: Instant::now(),
            last_sample: Instant::now(),
            last_sample_ms: (setup.now_ms)(),
            dropped: 0,
            setup,
        };
        ear.opened(microphone);
        ear
    }

    fn tell(&self, event: Event) {
        // Nobody listening any more means that the end has come; the order to stop follows.
        let _ = self.events.send(event);
    }

    fn opened(&mut self, microphone: Microphone) {
        let at_ms = (self.setup.now_ms)();
        self.origin_ms = at_ms;
        self.heard.clear();
        self.let_go = 0;
        self.activity = Activity::default();
        self.dropped = 0;
        self.last_sample = Instant::now();
        self.last_sample_ms = at_ms;
        self.resampler = Resampler::new(microphone.rate).ok();
        if let Some(dir) = &self.setup.record_in {
            match Recording::begin(dir, microphone.rate) {
                Ok(r) => self.recording = Some(r),
                Err(why) => self.tell(Event::NotRecording { why }),
            }
        }
        let name = format!("{}, {} Hz", microphone.name, microphone.rate);
        let file = self.recording.as_ref().map(|r| r.name.clone());
        self.microphone = Some(microphone);
        self.tell(Event::Open { name, file, at_ms });
    }

    fn run(mut self) {
        let mut block = Vec::new();
        while !self.orders.stop.load(Ordering::Acquire) {
            sleep(ROUND);
            block.clear();
            let Some(m) = &mut self.microphone else {
                self.open_again();
                continue;
            };
            m.take(&mut block);
            let (dropped, lost) = (m.dropped(), m.lost());
            if !block.is_empty() {
                self.take(&block);
            }
            if dropped > self.dropped {
                self.fill(dropped - self.dropped);
                self.dropped = dropped;
            }
            let silent = self.last_sample.elapsed() >= SILENT;
            if let Some(why) = lost
                .or_else(|| silent.then(|| format!("no sound came for {} ms", SILENT.as_millis())))
            {
                self.lose(why);
            }
            if self.told.elapsed() >= LEVEL {
                self.told = Instant::now();
                let db = 20.0 * self.loudest.max(1e-5).log10();
                self.loudest = 0.0;
                self.tell(Event::Level { db, speaking: self.activity.speaking() });
            }
        }
        let mut over = Vec::new();
        self.activity.finish(&mut over);
        self.hand_on(&over);
        self.end_recording();
    }

    fn take(&mut self, block: &[f32]) {
        self.last_sample = Instant::now();
        self.last_sample_ms = (self.setup.now_ms)();
        if self.heard.is_empty() && self.let_go == 0 {
            // The first block has been under way for as long as it lasts.
            let rate = self.microphone.as_ref().map_or(16_000, |m| m.rate);
            let lasts = block.len() as u64 * 1000 / u64::from(rate.max(1));
            self.origin_ms = self.last_sample_ms.saturating_sub(lasts);
        }
        let loudest = block.iter().fold(0.0f32, |m, s| m.max(s.abs()));
        self.loudest = self.loudest.max(loudest);
        // Nothing is recorded in a pause; silence keeps the sound file in step with the exam clock.
        let paused = self.orders.paused.load(Ordering::Relaxed);
        let silence = if paused { vec![0.0; block.len()] } else { Vec::new() };
        if let Some(r) = &mut self.recording
            && let Err(why) = r.write(if paused { &silence } else { block })
        {
            self.recording = None;
            self.tell(Event::NotRecording { why });
        }
        let from = self.heard.len();
        if let Some(r) = &mut self.resampler {
            r.push(block, &mut self.heard);
        }
        if self.orders.deaf.load(Ordering::Relaxed) {
            // The clock runs on, and nothing is heard.
            self.heard[from..].fill(0.0);
        }
        let mut over = Vec::new();
        self.activity.push(&self.heard[from..], &mut over);
        self.hand_on(&over);
        self.foresee();
        if self.heard.len() > 2 * KEPT {
            self.let_go += KEPT;
            self.heard.drain(..KEPT);
        }
    }

    /// Puts silence in the place of samples that the ring had no room for, so that sound clock, sound
    /// file and exam clock stay together. They were lost behind what was just taken.
    fn fill(&mut self, samples: u64) {
        let now = |ear: &Ear| ear.origin_ms + ms_at(ear.let_go + ear.heard.len());
        let from_ms = now(self);
        let mut rest = samples;
        while rest > 0 {
            let part = rest.min(FILL);
            self.take(&vec![0.0; part as usize]);
            rest -= part;
        }
        let to_ms = now(self);
        self.tell(Event::Dropped { samples, from_ms, to_ms });
    }

    fn hand_on(&mut self, over: &[Stretch]) {
        for s in over {
            self.orders.waiting.fetch_add(1, Ordering::AcqRel);
            if self.jobs.send(Job::Over(self.cut_out(s))).is_err() {
                self.orders.waiting.fetch_sub(1, Ordering::AcqRel);
            }
        }
    }

    /// Has what may be over recognised already.
    fn foresee(&mut self) {
        let perhaps = self.activity.perhaps();
        if perhaps.is_some() && perhaps != self.foreseen {
            let job = perhaps.as_ref().map(|s| Job::Perhaps(self.cut_out(s)));
            // Nobody takes it any more only when the end has come.
            job.map(|j| self.jobs.send(j));
            self.foreseen = perhaps;
        }
    }

    /// The sound of a stretch.
    fn cut_out(&self, s: &Stretch) -> Cut {
        let at = |n: usize| n.saturating_sub(self.let_go).min(self.heard.len());
        let behind = ms_at((self.let_go + self.heard.len()).saturating_sub(s.speech.end));
        Cut {
            sound: self.heard[at(s.heard.start)..at(s.heard.end)].to_vec(),
            from_ms: self.origin_ms + ms_at(s.heard.start.max(self.let_go)),
            start_ms: self.origin_ms + ms_at(s.speech.start),
            end_ms: self.origin_ms + ms_at(s.speech.end),
            ended: Instant::now() - Duration::from_millis(behind),
        }
    }

    fn lose(&mut self, why: String) {
        let mut over = Vec::new();
        self.activity.finish(&mut over);
        self.hand_on(&over);
        self.end_recording();
        self.tell(Event::Lost { why, at_ms: self.last_sample_ms });
        self.microphone = None;
    }

    fn open_again(&mut self) {
        let began = Instant::now();
        match Microphone::open(&self.setup.wanted) {
            Ok(mut m) => {
                // It is back only when sound comes again.
                let mut first = Vec::new();
                while first.is_empty() && began.elapsed() < SILENT * 2 {
                    sleep(ROUND);
                    m.take(&mut first);
                }
                if first.is_empty() || m.lost().is_some() {
                    drop(m);
                    return self.rest();
                }
                let from_ms = self.last_sample_ms;
                self.opened(m);
                self.take(&first);
                self.tell(Event::Back { from_ms, to_ms: self.origin_ms });
            }
            Err(_) => self.rest(),
        }
    }

    fn rest(&self) {
        let until = Instant::now() + AGAIN;
        while Instant::now() < until && !self.orders.stop.load(Ordering::Acquire) {
            sleep(ROUND);
        }
    }

    fn end_recording(&mut self) {
        if let Some(r) = self.recording.take()
            && let Err(why) = r.end()
        {
            self.tell(Event::NotRecording { why });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::speech::stumbling::Stumbling;

    #[test]
    fn a_recogniser_that_fails_on_one_stretch_costs_that_stretch_and_says_so() {
        let (jobs, to_hear) = channel();
        let (events, taken) = channel();
        let orders = Orders::default();
        for start_ms in [0, 1000, 2000] {
            let (sound, ended) = (vec![0.0; 16], Instant::now());
            let end_ms = start_ms + 500;
            let cut = Cut { sound, from_ms: start_ms, start_ms, end_ms, ended };
            jobs.send(Job::Over(cut)).unwrap();
            orders.waiting.fetch_add(1, Ordering::AcqRel);
        }
        drop(jobs);
        recognise(&Stumbling, &to_hear, &events, &orders);
        drop(events);
        let told: Vec<String> = taken
            .iter()
            .map(|e| match e {
                Event::Phrase { phrase, .. } => phrase.text,
                Event::Unheard { from_ms, to_ms, .. } => format!("not {from_ms} to {to_ms}"),
                other => format!("{other:?}"),
            })
            .collect();
        assert_eq!(told, ["said at 0", "not 1000 to 1500", "said at 2000"]);
        assert_eq!(orders.waiting.load(Ordering::Acquire), 0);
    }

    /// Counts what it is asked to hear.
    struct Counting(AtomicU64);

    impl Recogniser for Counting {
        fn hear(&self, piece: &Piece<'_>) -> Result<Heard, Problem> {
            let times = self.0.fetch_add(1, Ordering::AcqRel) + 1;
            let text = format!("{} to {}, the {times}.", piece.start_ms, piece.end_ms);
            Ok(Heard { certainty: Some(crate::capture::Certainty::Sure), text, ..Heard::noise() })
        }
    }

    #[test]
    fn what_was_heard_ahead_is_told_when_the_pause_has_lasted_and_forgotten_when_more_is_said() {
        let (jobs, to_hear) = channel();
        let (events, taken) = channel();
        let orders = Orders::default();
        orders.waiting.store(2, Ordering::Release);
        let counting = Counting(AtomicU64::new(0));
        let cut = |start_ms: u64, end_ms: u64| {
            let sound = vec![0.0; (end_ms - start_ms) as usize];
            Cut { sound, from_ms: start_ms, start_ms, end_ms, ended: Instant::now() }
        };
        let heard_so_often = |n| {
            while counting.0.load(Ordering::Acquire) < n {
                sleep(Duration::from_millis(1));
            }
        };
        std::thread::scope(|scope| {
            let (counting, events, orders) = (&counting, &events, &orders);
            scope.spawn(move || recognise(counting, &to_hear, events, orders));
            jobs.send(Job::Perhaps(cut(0, 500))).unwrap();
            heard_so_often(1);
            jobs.send(Job::Over(cut(0, 500))).unwrap();
            jobs.send(Job::Perhaps(cut(1000, 1500))).unwrap();
            heard_so_often(2);
            // More was said behind it.
            jobs.send(Job::Over(cut(1000, 1900))).unwrap();
            heard_so_often(3);
            drop(jobs);
        });
        drop(events);
        let told: Vec<String> = taken
            .iter()
            .map(|e| match e {
                Event::Phrase { phrase, .. } => phrase.text,
                other => format!("{other:?}"),
            })
            .collect();
        assert_eq!(told, ["0 to 500, the 1.", "1000 to 1900, the 3."]);
    }
}
