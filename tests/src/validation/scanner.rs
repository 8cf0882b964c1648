//! The scanners of the validation, drawn anew for each scan, and what a plant would know of them.

use scantling_core::geometry::random::Random;
use scantling_core::geometry::{Motion, PartFrame, Vector};
use scantling_core::simulate::{
    CorrelatedNoise, DropOut, Imperfections, PassSeams, ReferenceTargets, Scanner as Simulated, SurfaceClass,
};
use scantling_core::uncertainty::{self, Conditions, InstrumentErrors, MeshHistory};
use serde::{Deserialize, Serialize};

use super::part::Part;

/// For the table: what of the unkind scanner is stated with each scan, and what nobody knows.
pub const WHAT_IS_STATED: &str = "\
Stated with each scan, as a verification would: noise of one point, shared noise with its length, how far passes lie off each other and how wide they are, length scale, \
kind of surface, whether the export smoothed or filled holes. Not stated, for nobody knows it: how noise grows with the angle, what is missing and \
where, how far edges are rounded, reference targets left on the part, how a scan's own length scale is off, and the pose to better than the fit finds.";

/// White noise alone, mm. This and what follows without a source: common practice, no source.
const WHITE_MM: f64 = 0.02;
/// Of the unkind scanner: white noise of one point, smallest and largest, mm.
const NOISE_MM: [f64; 2] = [0.012, 0.02];
/// Noise that neighbours share, mm.
const SHARED_MM: [f64; 2] = [0.003, 0.008];
/// Passes lie off each other by DESIGN's 0.02 to 0.05 mm: shifts of even length in any direction. The standard deviation
/// along one axis is the root of a third of their mean square. One pass, any one, is not shifted: it is where the others lie off.
const SEAM_MM: [f64; 2] = [0.02, 0.05];
/// Each pass of the simulator sees the whole part, from its side.
const PASS_WIDTH_MM: f64 = 500.0;
/// Relative standard uncertainty of lengths, ppm: that of a good laser line scanner on an arm (common practice, no source).
const LENGTH_PPM: f64 = 20.0;

/// Which scanner.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Scanner {
    /// White noise of 0.02 mm and nothing else.
    White,
    /// What the simulator can do to a scan, but for passes that are turned.
    Unkind,
}

impl Scanner {
    /// In words.
    pub fn word(self) -> &'static str {
        match self {
            Self::White => "white noise",
            Self::Unkind => "unkind",
        }
    }
}

/// What was drawn of one scan.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Taken {
    /// White noise, mm.
    pub noise_mm: f64,
    /// Shared noise and its length, mm.
    pub shared_mm: [f64; 2],
    /// Growth of noise with the angle.
    pub growth: f64,
    /// Kind of surface: `dull`, `dark`, `gloss`; empty where nothing drops out.
    pub surface: String,
    /// Radius of rounded edges, mm; 0 for sharp.
    pub edge_radius_mm: f64,
    /// Whether passes lie off each other.
    pub seams: bool,
    /// What the export did: `raw`, `smoothed`, `holes_filled`.
    pub history: String,
    /// Error of all lengths, ppm.
    pub scale_ppm: f64,
    /// Reference targets left on the part.
    pub targets: usize,
}

impl Taken {
    /// Draws one.
    pub(super) fn draw(scanner: Scanner, random: &mut Random) -> Self {
        if scanner == Scanner::White {
            return Self { noise_mm: WHITE_MM, history: "raw".into(), ..Self::default() };
        }
        let surface = ["dull", "dull", "dark", "gloss"][random.below(4)];
        let history =
            ["raw", "raw", "raw", "raw", "raw", "smoothed", "smoothed", "holes_filled"][random.below(8)];
        Self {
            noise_mm: random.range(NOISE_MM[0], NOISE_MM[1]),
            shared_mm: [random.range(SHARED_MM[0], SHARED_MM[1]), random.range(1.5, 4.0)],
            growth: random.range(0.2, 0.8),
            surface: surface.into(),
            edge_radius_mm: random.range(0.1, 0.3),
            seams: true,
            history: history.into(),
            scale_ppm: LENGTH_PPM * random.normal(),
            // One scan in ten was taken with a target still on the part.
            targets: usize::from(random.unit() < 0.1),
        }
    }

    /// The scanner of a part, for one scan.
    pub(super) fn scanner(&self, part: &Part, seed: u64) -> Simulated {
        let spacing_mm = part.spacing_mm;
        let surface = match self.surface.as_str() {
            "dull" => Some(SurfaceClass::Dull),
            "dark" => Some(SurfaceClass::Dark),
            "gloss" => Some(SurfaceClass::Gloss),
            _ => None,
        };
        let [deviation_mm, length_mm] = self.shared_mm;
        let imperfections = Imperfections {
            correlated_noise: (deviation_mm > 0.0).then_some(CorrelatedNoise { deviation_mm, length_mm }),
            noise_growth: self.growth,
            drop_out: surface.map(|surface| DropOut { surface, patch_mm: Some(1.5 * spacing_mm) }),
            seams: self.seams.then_some(PassSeams {
                least_mm: SEAM_MM[0],
                largest_mm: SEAM_MM[1],
                turn_rad: 0.0,
            }),
            edge_radius_mm: Some(self.edge_radius_mm).filter(|r| *r > 0.0),
            smoothing_mm: (self.history == "smoothed").then_some(1.5 * spacing_mm),
            filled_openings_mm: (self.history == "holes_filled").then_some(15.0),
            scale_error_ppm: self.scale_ppm,
            targets: (self.targets > 0).then_some(ReferenceTargets {
                count: self.targets,
                diameter_mm: 6.0,
                thickness_mm: 0.1,
            }),
        };
        // From other sides in each scan, so that passes meet elsewhere on the part: turned anyhow where they look from all sides,
        // else about the way the part faces.
        let mut random = Random::seeded(seed ^ 0x0BDE);
        let turn = match part.front {
            Some(front) => front.vector() * random.range(0.0, std::f64::consts::TAU),
            None => random.turn(),
        };
        let turned = Motion::<PartFrame, PartFrame>::from_turn_and_shift(turn, Vector::zeros());
        let mut views: Vec<_> = part.views.iter().map(|v| turned.direction(*v)).collect();
        // The first pass is the one that lies where it should: another one in each scan. Fisher and Yates: Knuth, The Art of
        // Computer Programming 2, 3.4.2, algorithm P.
        for i in (1..views.len()).rev() {
            views.swap(i, random.below(i + 1));
        }
        Simulated {
            spacing_mm,
            noise_mm: self.noise_mm,
            normal_error_rad: 2f64.to_radians(),
            views,
            seed,
            imperfections,
        }
    }

    /// What is stated of it: nothing of white noise, which a scan shows itself.
    pub(super) fn stated(&self, scanner: Scanner) -> Conditions {
        if scanner == Scanner::White {
            return Conditions::default();
        }
        let [a, b] = SEAM_MM;
        let mean_square = (a * a + a * b + b * b) / 3.0;
        let [shared_mm, length_mm] = self.shared_mm;
        let errors = InstrumentErrors {
            point_noise_mm: Some(self.noise_mm),
            correlated_noise_mm: Some(shared_mm),
            correlation_length_mm: Some(length_mm),
            pass_seam_mm: self.seams.then_some((mean_square / 3.0).sqrt()),
            pass_width_mm: self.seams.then_some(PASS_WIDTH_MM),
            length_scale_mm_per_m: Some(1e-3 * LENGTH_PPM),
            ..InstrumentErrors::default()
        };
        let surface_class = match self.surface.as_str() {
            "dark" => uncertainty::SurfaceClass::Dark,
            "gloss" => uncertainty::SurfaceClass::Gloss,
            _ => uncertainty::SurfaceClass::Dull,
        };
        let mesh_history = match self.history.as_str() {
            "smoothed" => MeshHistory::Smoothed,
            "holes_filled" => MeshHistory::HolesFilled,
            _ => MeshHistory::Raw,
        };
        Conditions {
            errors,
            surface_class: Some(surface_class),
            mesh_history: Some(mesh_history),
            ..Conditions::default()
        }
    }
}
