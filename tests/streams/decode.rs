//! Every frame of the fixtures gives the reading beside it.

use pintally::moment::Moment;

use crate::fixture::{Stream, drain, every_frame, shown};

#[test]
fn every_frame_reads_as_documented() {
    for stream in Stream::all() {
        let profile = stream.profile();
        for frame in &stream.frames {
            let mut decoder = every_frame(&profile);
            decoder.push(&frame.bytes(), Moment::START);
            let pulled = drain(&mut decoder);
            match (&frame.reads, &frame.refused) {
                (Some(reads), None) => {
                    let [Ok(reading)] = &pulled[..] else { panic!("{frame:?} gave {pulled:?}") };
                    assert_eq!(&shown(&reading.item), reads, "{frame:?}");
                    assert_eq!(reading.item.function, frame.function, "{frame:?}");
                    assert_eq!(reading.item.flags, frame.flags(), "{frame:?}");
                }
                (None, Some(refused)) => {
                    let [Err(error)] = &pulled[..] else { panic!("{frame:?} gave {pulled:?}") };
                    assert_eq!(&error.to_string(), refused);
                }
                _ => panic!("a frame has either reads or refused: {frame:?}"),
            }
        }
    }
}

#[test]
fn a_stamp_tells_when_the_frame_was_on_the_wire() {
    let streams = Stream::all();
    let stream = streams.iter().find(|stream| stream.profile().name == "fs9721").unwrap();
    let profile = stream.profile();
    let mut decoder = every_frame(&profile);
    let bytes = stream.frames[0].bytes();
    // Two chunks: five bytes at 100 ms, nine bytes at 140 ms. 2400 8N1 is 4.167 ms a byte, so the first byte
    // came 16.666 ms before 100 ms.
    decoder.push(&bytes[..5], Moment::from_micros(100_000));
    decoder.push(&bytes[5..], Moment::from_micros(140_000));
    let reading = decoder.pull().unwrap().unwrap();
    assert_eq!(reading.first_byte, Moment::from_micros(100_000 - 16_666));
    assert_eq!(reading.last_byte, Moment::from_micros(140_000));
}

#[test]
fn noise_costs_one_frame_and_one_error() {
    for stream in Stream::all() {
        let profile = stream.profile();
        let frame = stream.frames[0].bytes();
        let mut decoder = every_frame(&profile);
        // A frame without its end, then whole ones.
        decoder.push(&frame[..frame.len() - 4], Moment::START);
        decoder.push(&frame.repeat(4), Moment::START);
        let pulled = drain(&mut decoder);
        let readings = pulled.iter().filter(|pulled| pulled.is_ok()).count();
        let errors = pulled.iter().filter(|pulled| pulled.is_err()).count();
        assert!(readings >= 3 && errors <= 1, "{}: {pulled:?}", profile.name);
    }
}
