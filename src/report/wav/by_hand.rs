//! WAV files put together byte by byte, for the tests.
//!
//! Source: "Multimedia Programming Interface and Data Specifications 1.0", IBM
//! and Microsoft, 1991, chapter 3 (WAVE); from memory.

/// The 44 bytes before the sound; `sound` is its length, bytes.
pub fn header(tag: u16, channels: u16, rate_hz: u32, bits: u16, sound: u32) -> Vec<u8> {
    let frame = channels * (bits / 8);
    let mut fmt = Vec::new();
    for word in [tag, channels] {
        fmt.extend(word.to_le_bytes());
    }
    fmt.extend(rate_hz.to_le_bytes());
    fmt.extend(rate_hz.wrapping_mul(u32::from(frame)).to_le_bytes());
    for word in [frame, bits] {
        fmt.extend(word.to_le_bytes());
    }
    header_of(&fmt, sound)
}

/// The same around any format chunk.
pub fn header_of(fmt: &[u8], sound: u32) -> Vec<u8> {
    let mut b = Vec::from(*b"RIFF");
    b.extend((20 + fmt.len() as u32 + sound).to_le_bytes());
    b.extend(b"WAVEfmt ");
    b.extend((fmt.len() as u32).to_le_bytes());
    b.extend(fmt);
    b.extend(b"data");
    b.extend(sound.to_le_bytes());
    b
}

/// A whole file at 44.1 kHz.
pub fn file(tag: u16, channels: u16, bits: u16, sound: &[u8]) -> Vec<u8> {
    let mut b = header(tag, channels, 44_100, bits, sound.len() as u32);
    b.extend(sound);
    b
}
