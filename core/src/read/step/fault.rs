//! Why one face has no triangles.

use super::graph::EntityFault;
use super::loops::LayoutFault;
use super::triangulate::FillFault;

/// Why a face has no triangles. Its id stands beside it.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum FaceFault {
    /// Something it needs cannot be understood.
    #[error(transparent)]
    Entity(#[from] EntityFault),
    /// An edge whose curve and vertices have nothing to do with each other.
    #[error("edge #{id} cannot be followed from vertex to vertex")]
    Edge {
        /// The edge.
        id: u64,
    },
    /// An edge of more points than allowed.
    #[error("edge #{id} needs more than {limit} points for its chord error")]
    LongEdge {
        /// The edge.
        id: u64,
        /// How many were allowed.
        limit: usize,
    },
    /// Edges that do not follow each other.
    #[error("edge #{id} ends {} mm from where the next begins", digits(*gap_mm))]
    Gap {
        /// The edge.
        id: u64,
        /// How far, mm.
        gap_mm: f64,
    },
    /// A boundary that belongs to another surface.
    #[error("its boundary lies up to {} mm off its surface", digits(*gap_mm))]
    OffSurface {
        /// How far, mm.
        gap_mm: f64,
    },
    /// Its loops cannot be laid out.
    #[error(transparent)]
    Layout(#[from] LayoutFault),
    /// Its loops cannot be filled.
    #[error(transparent)]
    Fill(FillFault),
    /// A whole torus that meets itself.
    #[error("it is a whole torus that meets itself, which is not read: export it in faces with edges")]
    MeetsItself,
    /// No loops, on a surface that has no end.
    #[error("it has no boundary, and its surface no end")]
    Endless,
}

/// A number as people read it: four significant digits, without zeros behind them.
pub(super) fn digits(x: f64) -> String {
    if !x.is_finite() {
        return "unknown".to_owned();
    }
    let (mut places, mut least) = (3_usize, 1.0);
    while x.abs() < least && places < 12 {
        places += 1;
        least *= 0.1;
    }
    // Above ten fewer stand behind the point.
    let mut most = 10.0;
    while x.abs() >= most && places > 0 {
        places -= 1;
        most *= 10.0;
    }
    let text = format!("{x:.places$}");
    match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.').to_owned(),
        false => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn distances_are_told_in_four_digits() {
        for (x, told) in [
            (0.033, "0.033"),
            (0.123456, "0.1235"),
            (1.0 / 3.0, "0.3333"),
            (2.0, "2"),
            (31.41592, "31.42"),
            (12345.67, "12346"),
            (0.00001234567, "0.00001235"),
            (0.0, "0"),
        ] {
            assert_eq!(digits(x), told);
        }
        let fault = FaceFault::OffSurface { gap_mm: 0.20000000298023224 };
        assert_eq!(fault.to_string(), "its boundary lies up to 0.2 mm off its surface");
    }
}
