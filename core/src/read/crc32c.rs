//! CRC-32C (Castagnoli), the checksum of E57's pages: polynomial 0x1EDC6F41, reflected, as in RFC 3720
//! section 12.1; eight bytes a step (Kounavis and Berry, "A Systematic Approach to Building High
//! Performance Software-based CRC Generators", ISCC 2005).

const REFLECTED: u32 = 0x82F6_3B78;

static TABLES: [[u32; 256]; 8] = tables();

const fn tables() -> [[u32; 256]; 8] {
    let mut all = [[0; 256]; 8];
    let mut byte = 0;
    while byte < 256 {
        let mut value = byte as u32;
        let mut bit = 0;
        while bit < 8 {
            value = if value & 1 == 1 { value >> 1 ^ REFLECTED } else { value >> 1 };
            bit += 1;
        }
        all[0][byte] = value;
        byte += 1;
    }
    let mut step = 1;
    while step < 8 {
        let mut byte = 0;
        while byte < 256 {
            let before = all[step - 1][byte];
            all[step][byte] = before >> 8 ^ all[0][(before & 0xFF) as usize];
            byte += 1;
        }
        step += 1;
    }
    all
}

pub(super) fn crc32c(bytes: &[u8]) -> u32 {
    let mut crc = u32::MAX;
    let mut eights = bytes.chunks_exact(8);
    for b in &mut eights {
        let low = crc ^ u32::from_le_bytes([b[0], b[1], b[2], b[3]]);
        crc = TABLES[7][(low & 0xFF) as usize]
            ^ TABLES[6][(low >> 8 & 0xFF) as usize]
            ^ TABLES[5][(low >> 16 & 0xFF) as usize]
            ^ TABLES[4][(low >> 24) as usize]
            ^ TABLES[3][usize::from(b[4])]
            ^ TABLES[2][usize::from(b[5])]
            ^ TABLES[1][usize::from(b[6])]
            ^ TABLES[0][usize::from(b[7])];
    }
    for &b in eights.remainder() {
        crc = crc >> 8 ^ TABLES[0][((crc ^ u32::from(b)) & 0xFF) as usize];
    }
    !crc
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn published_values() {
        // RFC 3720, appendix B.4: 32 bytes of zeros, of ones, ascending.
        assert_eq!(crc32c(&[0; 32]), 0x8A91_36AA);
        assert_eq!(crc32c(&[0xFF; 32]), 0x62A8_AB43);
        assert_eq!(crc32c(&std::array::from_fn::<u8, 32, _>(|i| i as u8)), 0x46DD_794E);
        // The check value of the catalogue of parametrised CRC algorithms, nine bytes.
        assert_eq!(crc32c(b"123456789"), 0xE306_9283);
    }
}
