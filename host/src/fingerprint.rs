//! Names a file by its content, so that a log says exactly which reference or connector it was judged with.

use std::{
    fmt,
    io::{self, Read},
    str::FromStr,
};

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

/// SHA-256 (FIPS 180-4) of the bytes of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Fingerprint([u8; 32]);

/// Hands bytes on and takes the fingerprint of all that were read.
#[derive(Debug)]
pub struct Digested<R> {
    inner: R,
    digest: Sha256,
}

/// A text is no fingerprint.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("expected 64 hexadecimal digits in lower case")]
pub struct NotAFingerprint;

impl Fingerprint {
    /// Of these bytes.
    #[must_use]
    pub fn of(bytes: &[u8]) -> Self {
        Self(Sha256::digest(bytes).into())
    }

    /// Its 32 bytes.
    #[must_use]
    pub const fn as_bytes(&self) -> &[u8; 32] {
        &self.0
    }

    /// From its 32 bytes.
    #[must_use]
    pub const fn from_bytes(bytes: [u8; 32]) -> Self {
        Self(bytes)
    }
}

impl<R> Digested<R> {
    /// Reads from `inner`.
    pub fn new(inner: R) -> Self {
        Self { inner, digest: Sha256::new() }
    }

    /// Of the bytes read so far.
    #[must_use]
    pub fn fingerprint(self) -> Fingerprint {
        Fingerprint(self.digest.finalize().into())
    }
}

impl<R: Read> Read for Digested<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = self.inner.read(buffer)?;
        self.digest.update(buffer.get(..read).unwrap_or_default());
        Ok(read)
    }
}

impl fmt::Display for Fingerprint {
    /// 64 hexadecimal digits, or the first few of them: `{:.12}`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&hex(&self.0))
    }
}

impl FromStr for Fingerprint {
    type Err = NotAFingerprint;

    fn from_str(text: &str) -> Result<Self, NotAFingerprint> {
        unhex(text).and_then(|bytes| bytes.try_into().ok()).map(Self).ok_or(NotAFingerprint)
    }
}

impl From<Fingerprint> for String {
    fn from(fingerprint: Fingerprint) -> Self {
        fingerprint.to_string()
    }
}

impl TryFrom<String> for Fingerprint {
    type Error = NotAFingerprint;

    fn try_from(text: String) -> Result<Self, NotAFingerprint> {
        text.parse()
    }
}

/// Bytes as hexadecimal digits in lower case.
#[must_use]
pub fn hex(bytes: &[u8]) -> String {
    let digit = |nibble: u8| char::from_digit(u32::from(nibble), 16).unwrap_or('0');
    bytes.iter().flat_map(|&byte| [digit(byte >> 4), digit(byte & 0xF)]).collect()
}

/// Bytes from hexadecimal digits; `None` unless they are pairs of digits in lower case, so that every row of
/// bytes has one text only.
#[must_use]
pub fn unhex(text: &str) -> Option<Vec<u8>> {
    let digit = |byte: u8| match byte {
        b'0'..=b'9' => Some(byte - b'0'),
        b'a'..=b'f' => Some(byte - b'a' + 10),
        _ => None,
    };
    let (pairs, rest) = text.as_bytes().as_chunks::<2>();
    if !rest.is_empty() {
        return None;
    }
    pairs.iter().map(|&[high, low]| Some(digit(high)? << 4 | digit(low)?)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// FIPS 180-4, examples of SHA-256 as published by NIST ("Cryptographic Standards and Guidelines,
    /// Examples with Intermediate Values": one block, two blocks), from memory; the empty message from
    /// NIST's short message vectors, from memory.
    #[test]
    fn agrees_with_the_published_examples() {
        for (message, expected) in [
            ("", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
            ("abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
            (
                "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
                "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
            ),
        ] {
            let fingerprint = Fingerprint::of(message.as_bytes());
            assert_eq!(fingerprint.to_string(), expected);
            assert_eq!(expected.parse(), Ok(fingerprint));
        }
        assert_eq!(format!("{:.12}", Fingerprint::of(b"abc")), "ba7816bf8f01");
    }

    #[test]
    fn bytes_that_pass_have_the_fingerprint_of_their_whole() {
        let bytes: Vec<u8> = (0..=255).cycle().take(100_000).collect();
        let mut digested = Digested::new(bytes.as_slice());
        let mut passed = Vec::new();
        digested.read_to_end(&mut passed).unwrap();
        assert_eq!(passed, bytes);
        assert_eq!(digested.fingerprint(), Fingerprint::of(&bytes));
    }

    #[test]
    fn nothing_else_is_a_fingerprint() {
        let good = Fingerprint::of(b"").to_string();
        for text in
            ["", "abc", &good[1..], &good.to_uppercase(), &format!("{good}00"), &good.replace('e', "g")]
        {
            assert_eq!(text.parse::<Fingerprint>(), Err(NotAFingerprint), "{text}");
        }
    }

    #[test]
    fn bytes_survive_as_hexadecimal_digits() {
        let all: Vec<u8> = (0..=255).collect();
        assert_eq!(unhex(&hex(&all)), Some(all));
        assert_eq!(hex(&[0x0A, 0xF0]), "0af0");
        assert_eq!(unhex("0"), None);
        assert_eq!(unhex("0G"), None);
        assert_eq!(unhex("ü"), None);
    }
}
