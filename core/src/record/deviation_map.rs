//! Deviation and coverage all over the nominal, as a blob beside the record.

/// The first bytes of the blob.
const DEVIATION_MAGIC: [u8; 4] = *b"SCDV";

/// Deviation and coverage at each vertex of the nominal, for pictures and maps.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct DeviationMap {
    /// Signed distance of the measured surface at each nominal vertex, mm; `None` where nothing was seen.
    pub deviation_mm: Vec<Option<f32>>,
    /// Seen fraction of each vertex's surroundings, 0 to 1.
    pub coverage: Vec<f32>,
}

impl DeviationMap {
    /// As a blob: `SCDV`, version 1 (32 bits) and the number of vertices (64 bits), then per vertex deviation
    /// (NaN where nothing was seen) and coverage in single precision; all little endian.
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(16 + 8 * self.deviation_mm.len());
        bytes.extend(DEVIATION_MAGIC);
        bytes.extend(1u32.to_le_bytes());
        bytes.extend((self.deviation_mm.len() as u64).to_le_bytes());
        for (i, d) in self.deviation_mm.iter().enumerate() {
            bytes.extend(d.unwrap_or(f32::NAN).to_le_bytes());
            bytes.extend(self.coverage.get(i).copied().unwrap_or(0.0).to_le_bytes());
        }
        bytes
    }

    /// Reads what [`DeviationMap::to_bytes`] wrote; `None` for anything else.
    pub fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let (head, rest) = bytes.split_at_checked(16)?;
        let version = u32::from_le_bytes(head[4..8].try_into().ok()?);
        let count = u64::from_le_bytes(head[8..16].try_into().ok()?);
        if head[..4] != DEVIATION_MAGIC || version != 1 || rest.len() as u64 != count.checked_mul(8)? {
            return None;
        }
        let number = |b: &[u8]| b.try_into().map_or(f32::NAN, f32::from_le_bytes);
        let pairs = rest.chunks_exact(8).map(|pair| (number(&pair[..4]), number(&pair[4..])));
        let (deviation_mm, coverage) =
            pairs.map(|(d, c)| (d.is_finite().then_some(d), if c.is_finite() { c } else { 0.0 })).unzip();
        Some(Self { deviation_mm, coverage })
    }
}
