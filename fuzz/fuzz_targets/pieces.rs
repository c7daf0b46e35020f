//! A picture's file as the pieces that it consists of: chunks of a PNG, segments of a JPEG and the data between them.

use libfuzzer_sys::fuzzer_mutate;

const PNG: &[u8] = b"\x89PNG\r\n\x1a\n";

/// Names of chunks that decoders know (PNG, third edition, 11.2 and 11.3).
const CHUNKS: [&[u8; 4]; 22] = [
    b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"acTL", b"fcTL", b"fdAT", b"cHRM", b"gAMA",
    b"iCCP", b"sBIT", b"sRGB", b"cICP", b"mDCV", b"cLLI", b"tEXt", b"zTXt", b"iTXt", b"bKGD",
    b"pHYs", b"eXIf",
];

/// Codes of segments that have a length (ITU-T T.81, table B.1).
const SEGMENTS: [u8; 20] = [
    0xC0, 0xC1, 0xC2, 0xC3, 0xC4, 0xC9, 0xCA, 0xCC, 0xDA, 0xDB, 0xDC, 0xDD, 0xDE, 0xE0, 0xE1, 0xE2,
    0xED, 0xEE, 0xFE, 0xDF,
];

/// One piece of a file.
#[derive(Clone)]
enum Piece {
    Chunk([u8; 4], Vec<u8>),
    Segment(u8, Vec<u8>),
    /// Bytes as they stand: scan data, or what follows the last whole chunk.
    Plain(Vec<u8>),
}

impl Piece {
    fn data(&mut self) -> &mut Vec<u8> {
        match self {
            Self::Chunk(_, data) | Self::Segment(_, data) | Self::Plain(data) => data,
        }
    }

    fn write(&self, out: &mut Vec<u8>) {
        match self {
            Self::Chunk(name, data) => {
                out.extend(u32::try_from(data.len()).unwrap_or(u32::MAX).to_be_bytes());
                out.extend(name);
                out.extend(data);
                out.extend(crc32(&[&name[..], data].concat()).to_be_bytes());
            }
            Self::Segment(code, data) => {
                out.extend([0xFF, *code]);
                out.extend(
                    u16::try_from(data.len() + 2)
                        .unwrap_or(u16::MAX)
                        .to_be_bytes(),
                );
                out.extend(data);
            }
            Self::Plain(data) => out.extend(data),
        }
    }
}

/// The checksum of a chunk (PNG, third edition, annex D).
fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(u32::MAX, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |c, _| {
            (c >> 1) ^ (0xEDB8_8320 & (c & 1).wrapping_neg())
        })
    })
}

fn chunks(mut rest: &[u8]) -> Vec<Piece> {
    let mut pieces = Vec::new();
    while let Some(head) = rest.first_chunk::<8>() {
        let [a, b, c, d, name @ ..] = *head;
        let length = u32::from_be_bytes([a, b, c, d]) as usize;
        let Some(data) = rest.get(8..length.saturating_add(8)) else {
            break;
        };
        pieces.push(Piece::Chunk(name, data.to_vec()));
        rest = rest.get(length + 12..).unwrap_or_default();
    }
    pieces.push(Piece::Plain(rest.to_vec()));
    pieces
}

fn segments(bytes: &[u8]) -> Vec<Piece> {
    let (mut pieces, mut at, mut plain) = (Vec::new(), 0, Vec::new());
    while at < bytes.len() {
        let code = bytes.get(at + 1).copied().unwrap_or_default();
        let length = bytes
            .get(at + 2..at + 4)
            .map(|l| usize::from(l[0]) * 256 + usize::from(l[1]));
        let data = length.and_then(|l| bytes.get(at + 4..(at + 2).saturating_add(l)));
        match data {
            Some(data) if bytes[at] == 0xFF && SEGMENTS.contains(&code) => {
                if !plain.is_empty() {
                    pieces.push(Piece::Plain(std::mem::take(&mut plain)));
                }
                pieces.push(Piece::Segment(code, data.to_vec()));
                at += 4 + data.len();
            }
            _ => {
                plain.push(bytes[at]);
                at += 1;
            }
        }
    }
    pieces.push(Piece::Plain(plain));
    pieces
}

fn split(bytes: &[u8]) -> Option<(&[u8], Vec<Piece>)> {
    if let Some(rest) = bytes.strip_prefix(PNG) {
        return Some((PNG, chunks(rest)));
    }
    let start = bytes.get(..2).filter(|s| *s == [0xFF, 0xD8])?;
    Some((start, segments(&bytes[2..])))
}

/// How many pixels a picture's header claims.
pub fn claimed_pixels(bytes: &[u8]) -> u64 {
    let Some((_, pieces)) = split(bytes) else {
        return 0;
    };
    let number = |data: &[u8]| data.iter().fold(0_u64, |n, b| n * 256 + u64::from(*b));
    let sizes = pieces.iter().filter_map(|piece| match piece {
        Piece::Chunk(name, data) if name == b"IHDR" => {
            Some(number(data.get(..4)?).saturating_mul(number(data.get(4..8)?)))
        }
        Piece::Segment(0xC0..=0xC3 | 0xC9 | 0xCA, data) => {
            Some(number(data.get(1..3)?) * number(data.get(3..5)?))
        }
        _ => None,
    });
    sizes.max().unwrap_or(0)
}

/// Choices out of one seed.
struct Choices(u64);

impl Choices {
    fn below(&mut self, n: usize) -> usize {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) as usize % n.max(1)
    }
}

fn change_one(pieces: &mut Vec<Piece>, choices: &mut Choices, room: usize) {
    let at = choices.below(pieces.len());
    let other = choices.below(pieces.len());
    match choices.below(8) {
        0 => drop(pieces.remove(at)),
        1 => pieces.insert(other, pieces[at].clone()),
        2 => pieces.swap(at, other),
        3 => {
            let data = vec![0; choices.below(40)];
            let new = match pieces[at] {
                Piece::Chunk(..) => Piece::Chunk(*CHUNKS[choices.below(CHUNKS.len())], data),
                _ => Piece::Segment(SEGMENTS[choices.below(SEGMENTS.len())], data),
            };
            pieces.insert(at, new);
        }
        4 => match &mut pieces[at] {
            Piece::Chunk(name, _) => *name = *CHUNKS[choices.below(CHUNKS.len())],
            Piece::Segment(code, _) => *code = SEGMENTS[choices.below(SEGMENTS.len())],
            Piece::Plain(_) => {}
        },
        _ => {
            let data = pieces[at].data();
            let length = data.len();
            data.resize(length + room.min(64), 0);
            let capacity = data.len();
            let length = fuzzer_mutate(data, length, capacity);
            data.truncate(length);
        }
    }
}

/// One mutation of `data[..size]`; returns the new size.
pub fn mutate(data: &mut [u8], size: usize, max_size: usize, seed: u32) -> usize {
    let mut choices = Choices(u64::from(seed));
    let whole = choices.below(2) == 0;
    let Some((start, mut pieces)) = split(&data[..size]).filter(|_| !whole) else {
        return fuzzer_mutate(data, size, max_size);
    };
    let mut out = start.to_vec();
    for _ in 0..=choices.below(3) {
        if !pieces.is_empty() {
            change_one(&mut pieces, &mut choices, max_size - size);
        }
    }
    pieces.iter().for_each(|piece| piece.write(&mut out));
    out.truncate(max_size);
    data[..out.len()].copy_from_slice(&out);
    out.len()
}
