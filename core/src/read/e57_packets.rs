//! The packed points of an E57 scan: packets that each hold a stretch of every field. One [`Stream`] walks
//! the packets for one field and keeps no more than what one packet holds of it, 64 KiB.
//!
//! ASTM E2807-11, section 9 (from memory): a section's header of 32 bytes, then index, data and ignored
//! packets; whole numbers are stored as differences from their minimum in as few bits as the range needs.

use super::e57_pages::Pages;
use super::e57_xml::Element;
use super::{Place, ReadError};
use crate::run::{CHECK_EVERY, Run};

/// How the numbers of a field are stored.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Kind {
    Single,
    Double,
    /// `(minimum + stored) * scale + offset`, stored in `bits` bits.
    Whole {
        minimum: i64,
        bits: u32,
        scale: f64,
        offset: f64,
    },
}

impl Kind {
    /// As an element of the prototype describes it. What is left out has the standard's default.
    pub(super) fn described(element: &Element) -> Result<Self, String> {
        let fault = |what: &str| format!("the field `{}` has no usable {what}", shorten(element.name));
        let whole = |name: &str, or: i64| match element.attribute(name) {
            Some(text) => text.trim().parse().map_err(|_| fault(name)),
            None => Ok(or),
        };
        let real = |name: &str, or: f64| match element.attribute(name) {
            Some(text) => text.trim().parse().ok().filter(|v: &f64| v.is_finite()).ok_or_else(|| fault(name)),
            None => Ok(or),
        };
        match element.attribute("type") {
            Some("Float") => match element.attribute("precision") {
                Some("single") => Ok(Kind::Single),
                None | Some("double") => Ok(Kind::Double),
                Some(_) => Err(fault("precision")),
            },
            Some(kind @ ("Integer" | "ScaledInteger")) => {
                let (minimum, maximum): (i64, i64) =
                    (whole("minimum", i64::MIN)?, whole("maximum", i64::MAX)?);
                if maximum < minimum {
                    return Err(fault("range"));
                }
                let bits = 64 - maximum.wrapping_sub(minimum).cast_unsigned().leading_zeros();
                let scaled = kind == "ScaledInteger";
                let (scale, offset) =
                    if scaled { (real("scale", 1.0)?, real("offset", 0.0)?) } else { (1.0, 0.0) };
                Ok(Kind::Whole { minimum, bits, scale, offset })
            }
            _ => Err(fault("type")),
        }
    }

    /// Bits of one number.
    pub(super) fn bits(self) -> u32 {
        match self {
            Kind::Single => 32,
            Kind::Double => 64,
            Kind::Whole { bits, .. } => bits,
        }
    }

    fn value(self, stored: u64) -> f64 {
        match self {
            Kind::Single => f64::from(f32::from_bits(stored as u32)),
            Kind::Double => f64::from_bits(stored),
            Kind::Whole { minimum, scale, offset, .. } => {
                (i128::from(minimum) + i128::from(stored)) as f64 * scale + offset
            }
        }
    }
}

fn shorten(name: &str) -> String {
    name.chars().take(40).collect()
}

/// The numbers of one field, in order.
pub(super) struct Stream<'a> {
    pages: &'a Pages<'a>,
    kind: Kind,
    field: usize,
    fields: usize,
    /// Where the next packet begins, and where the section ends; logical.
    packet: u64,
    end: u64,
    packets: usize,
    /// Stretches of the field that are not used up, and how many bits of them are.
    buffer: Vec<u8>,
    used: usize,
}

const SECTION_HEAD: u64 = 32;

impl<'a> Stream<'a> {
    /// The numbers of field number `field` of the section at a physical offset.
    pub(super) fn new(
        pages: &'a Pages<'a>,
        section: u64,
        kinds: &[Kind],
        field: usize,
    ) -> Result<Self, ReadError> {
        let start = pages.logical(section)?;
        let mut head = [0; SECTION_HEAD as usize];
        pages.copy(start, &mut head, "the header of a scan's points")?;
        let word = |at: usize| u64::from_le_bytes(std::array::from_fn(|i| head[at + i]));
        let (length, data) = (word(8), pages.logical(word(16))?);
        if head[0] != 1 || data < start {
            return Err(ReadError::BadE57 {
                at: Place::Byte(section),
                problem: "no scan's points begin here: the file is damaged; export it again".into(),
            });
        }
        let end = start.saturating_add(length).min(pages.length());
        Ok(Self {
            pages,
            kind: kinds[field],
            field,
            fields: kinds.len(),
            packet: data,
            end,
            packets: 0,
            buffer: Vec::new(),
            used: 0,
        })
    }

    /// Where the numbers that come next are, to the packet.
    pub(super) fn place(&self) -> Place {
        Pages::place(self.packet.min(self.end))
    }

    /// The next number.
    pub(super) fn next(&mut self, run: &Run) -> Result<f64, ReadError> {
        let bits = self.kind.bits() as usize;
        while 8 * self.buffer.len() - self.used < bits {
            self.refill(run)?;
        }
        let (byte, shift) = (self.used / 8, self.used % 8);
        // Up to 7 + 64 bits.
        let mut window = [0; 16];
        let there = (self.buffer.len() - byte).min(9);
        window[..there].copy_from_slice(&self.buffer[byte..byte + there]);
        let mask = if bits == 64 { u64::MAX } else { (1 << bits) - 1 };
        let stored = (u128::from_le_bytes(window) >> shift) as u64 & mask;
        self.used += bits;
        Ok(self.kind.value(stored))
    }

    /// Appends the field's stretch of the next packet, which may be empty.
    fn refill(&mut self, run: &Run) -> Result<(), ReadError> {
        self.packets += 1;
        if self.packets.is_multiple_of(CHECK_EVERY) {
            run.check()?;
        }
        let what = "a scan's points";
        if self.packet >= self.end {
            let Place::Byte(at) = Pages::place(self.end) else { return Ok(()) };
            return Err(ReadError::Truncated { at: Place::Byte(at), what });
        }
        let start = self.packet;
        let fault = |problem: &str| {
            Err(ReadError::BadE57 {
                at: Pages::place(start),
                problem: format!("{problem}: the file is damaged; export it again"),
            })
        };
        let mut head = [0; 4];
        self.pages.copy(start, &mut head, what)?;
        let length = u64::from(u16::from_le_bytes([head[2], head[3]])) + 1;
        if !length.is_multiple_of(4) {
            return fault("the length of a packet is no multiple of four");
        }
        self.packet += length;
        match head[0] {
            0 | 2 => return Ok(()),
            1 => {}
            _ => return fault("a packet is of an unknown kind"),
        }
        let mut count = [0; 2];
        self.pages.copy(start + 4, &mut count, what)?;
        if usize::from(u16::from_le_bytes(count)) != self.fields {
            return fault("a packet holds another number of fields than the description");
        }
        let mut lengths = [0; 512];
        let lengths = &mut lengths[..2 * self.fields];
        self.pages.copy(start + 6, lengths, what)?;
        let length_of = |i: usize| u64::from(u16::from_le_bytes([lengths[2 * i], lengths[2 * i + 1]]));
        let before: u64 = (0..self.field).map(length_of).sum();
        let from = 6 + 2 * self.fields as u64 + before;
        let own = length_of(self.field);
        if from + own > length {
            return fault("a packet is shorter than its fields");
        }
        self.buffer.drain(..self.used / 8);
        self.used %= 8;
        let kept = self.buffer.len();
        self.buffer.resize(kept + own as usize, 0);
        self.pages.copy(start + from, &mut self.buffer[kept..], what)
    }
}
