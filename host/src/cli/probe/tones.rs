//! Tones through the audio device.

use std::{
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
        mpsc::{Receiver, channel},
    },
    thread::sleep,
    time::Duration,
};

use rodio::{
    CpalError, CpalErrorKind, DeviceSinkBuilder, DeviceSinkError, MixerDeviceSink, Source, source::SineWave,
};

use super::sound::{Voice, newest, ring};
use crate::probe::{GAP, Tone, melody};

/// Loudness, as a share of full scale: a quarter is 12 dB below it. Common practice for signals at a desk.
const LOUDNESS: f32 = 0.25;

/// What the audio device may still hold of the last beep when its time is over: twice the 50 ms that rodio buffers.
const BUFFERED: Duration = Duration::from_millis(100);

/// Starts the thread that plays tones, and waits until it has an audio device or knows why not.
///
/// # Errors
///
/// Why no audio device plays.
pub(super) fn start() -> Result<Voice, String> {
    let (sender, opened) = channel();
    // Opened on the thread that keeps it: on some systems an audio stream cannot move to another.
    let voice = Voice::start(move |tones| {
        let gone = Arc::new(AtomicBool::new(false));
        match open(&gone) {
            Ok(device) => {
                let _ = sender.send(Ok(()));
                play(&device, &gone, &tones);
            }
            Err(error) => {
                let _ = sender.send(Err(explained(&error)));
            }
        }
    });
    opened.recv().unwrap_or_else(|_| Err("it could not be opened".to_owned()))?;
    Ok(voice)
}

fn open(gone: &Arc<AtomicBool>) -> Result<MixerDeviceSink, DeviceSinkError> {
    // ALSA's own lines go into a buffer that nobody reads: the error says what matters.
    #[cfg(target_os = "linux")]
    let _quiet = alsa::Output::local_error_handler();
    let gone = Arc::clone(gone);
    let on_error = move |error: CpalError| {
        let is_passing = matches!(
            error.kind(),
            CpalErrorKind::Xrun | CpalErrorKind::DeviceChanged | CpalErrorKind::RealtimeDenied
        );
        if !is_passing {
            gone.store(true, Ordering::Relaxed);
        }
    };
    let mut device =
        DeviceSinkBuilder::from_default_device()?.with_error_callback(on_error).open_sink_or_fallback()?;
    device.log_on_drop(false);
    Ok(device)
}

/// Plays tones until there are no more. A device that goes away leaves the bell.
fn play(device: &MixerDeviceSink, gone: &AtomicBool, tones: &Receiver<Tone>) {
    while let Some(tone) = newest(tones) {
        if gone.load(Ordering::Relaxed) {
            ring(tone);
            continue;
        }
        for beep in melody(tone) {
            let mut sine = SineWave::new(f32::from(beep.hertz)).amplify(LOUDNESS).take_duration(beep.length);
            // Dies away like a bell: an end at full swing would click.
            sine.set_filter_fadeout();
            device.mixer().add(sine);
            // By the clock: a device that went away never says that a beep is over.
            sleep(beep.length + GAP);
        }
    }
    sleep(BUFFERED);
}

/// An error and what is behind it.
fn explained(error: &DeviceSinkError) -> String {
    let mut text = error.to_string();
    let mut source = std::error::Error::source(error);
    while let Some(inner) = source {
        text = format!("{text}: {inner}");
        source = inner.source();
    }
    text
}
