//! The colours of the deviation picture: a diverging palette that steps evenly and survives colour
//! blindness.
//!
//! Built by us as two straight lines in the Oklab space, from blue over near-white to brown-orange; equal
//! steps of deviation are equal steps in that space. Blue against orange differs along the axis that
//! red-green blind people see, and lightness falls evenly to both sides, so that the size of a deviation
//! also reads in grey print (the sign does not: the report marks and writes it as well).
//! Oklab and its matrices: B. Ottosson, "A perceptual color space for image processing", 2020
//! (public domain code on the same page). sRGB transfer curve: IEC 61966-2-1:1999.

use scantling_core::geometry::math;

/// A colour in linear light, red, green and blue 0 to 1.
pub(super) type Linear = [f64; 3];

/// Deviation 0: near white, so that a shaded surface still shows its form. Lightness, a, b.
const MIDDLE: [f64; 3] = [0.96, 0.0, 0.0];
/// Far inside the material: blue. Both ends have one lightness and one chroma (about 0.1), so that both
/// halves have the same step, and both lie inside sRGB (a test checks).
const INSIDE: [f64; 3] = [0.47, -0.030, -0.0954];
/// Far outside the material: brown-orange, hue opposite in b.
const OUTSIDE: [f64; 3] = [0.47, 0.050, 0.0866];

/// The paper round the part.
pub(super) const PAPER: Linear = [1.0, 1.0, 1.0];
/// Lines of the part's own form.
pub(super) const FORM_LINE: Linear = [0.10, 0.10, 0.10];
/// Lines where the deviation crosses a limit.
pub(super) const LIMIT_LINE: Linear = [0.0, 0.0, 0.0];
/// The two greys of the hatch over surface that was not measured; neither is near the palette's middle.
pub(super) const HATCH: [Linear; 2] = [[0.42, 0.42, 0.42], [0.22, 0.22, 0.22]];

/// The colour of a deviation given as a share of the scale's end: -1 inside, 0 none, +1 outside. Beyond the
/// ends it stays at the end's colour; NaN has none.
pub(super) fn colour(share: f64) -> Option<Linear> {
    lab(share).map(linear_from_lab)
}

fn lab(share: f64) -> Option<[f64; 3]> {
    if share.is_nan() {
        return None;
    }
    let t = share.clamp(-1.0, 1.0);
    let end = if t < 0.0 { INSIDE } else { OUTSIDE };
    Some(std::array::from_fn(|i| MIDDLE[i] + (end[i] - MIDDLE[i]) * t.abs()))
}

/// Lightness, a and b in Oklab as linear light: Ottosson 2020, `oklab_to_linear_srgb`.
pub(super) fn linear_from_lab([l, a, b]: [f64; 3]) -> Linear {
    let cube = |x: f64| x * x * x;
    let l_ = cube(l + 0.396_337_777_4 * a + 0.215_803_757_3 * b);
    let m_ = cube(l - 0.105_561_345_8 * a - 0.063_854_172_8 * b);
    let s_ = cube(l - 0.089_484_177_5 * a - 1.291_485_548_0 * b);
    [
        4.076_741_662_1 * l_ - 3.307_711_591_3 * m_ + 0.230_969_929_2 * s_,
        -1.268_438_004_6 * l_ + 2.609_757_401_1 * m_ - 0.341_319_396_5 * s_,
        -0.004_196_086_3 * l_ - 0.703_418_614_7 * m_ + 1.707_614_701_0 * s_,
    ]
}

/// Linear light dimmed by `light` (0 to 1), as 8-bit sRGB.
pub(super) fn srgb(colour: Linear, light: f64) -> [u8; 3] {
    colour.map(|c| {
        let c = (c * light).clamp(0.0, 1.0);
        let encoded = if c <= 0.003_130_8 { 12.92 * c } else { 1.055 * math::exp(math::ln(c) / 2.4) - 0.055 };
        // In 0 to 255 by the clamp; NaN becomes 0.
        (encoded * 255.0).round() as u8
    })
}

/// A colour as CSS writes it.
pub(super) fn css(colour: Linear) -> String {
    let [r, g, b] = srgb(colour, 1.0);
    format!("#{r:02x}{g:02x}{b:02x}")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
        (0..3).map(|i| (a[i] - b[i]) * (a[i] - b[i])).sum::<f64>().sqrt()
    }

    /// Ottosson 2020, `linear_srgb_to_oklab`: the published way back, as a check of the way there.
    fn lab_from_linear([r, g, b]: Linear) -> [f64; 3] {
        let l = libm_cbrt(0.412_221_470_8 * r + 0.536_332_536_3 * g + 0.051_445_992_9 * b);
        let m = libm_cbrt(0.211_903_498_2 * r + 0.680_699_545_1 * g + 0.107_396_956_6 * b);
        let s = libm_cbrt(0.088_302_461_9 * r + 0.281_718_837_6 * g + 0.629_978_700_5 * b);
        [
            0.210_454_255_3 * l + 0.793_617_785_0 * m - 0.004_072_046_8 * s,
            1.977_998_495_1 * l - 2.428_592_205_0 * m + 0.450_593_709_9 * s,
            0.025_904_037_1 * l + 0.782_771_766_2 * m - 0.808_675_766_0 * s,
        ]
    }

    fn libm_cbrt(x: f64) -> f64 {
        math::exp(math::ln(x) / 3.0)
    }

    #[test]
    fn equal_steps_of_deviation_are_equal_steps_of_colour() {
        let steps: Vec<f64> = (-10..10)
            .map(|i| distance(lab(f64::from(i) / 10.0).unwrap(), lab(f64::from(i + 1) / 10.0).unwrap()))
            .collect();
        for s in &steps {
            assert!((s / steps[0] - 1.0).abs() < 1e-3, "{steps:?}");
        }
    }

    #[test]
    fn every_colour_is_inside_srgb_and_goes_back_to_its_oklab() {
        for i in -100..=100 {
            let share = f64::from(i) / 100.0;
            let rgb = colour(share).unwrap();
            assert!(rgb.iter().all(|c| (0.0..=1.0).contains(c)), "{share}: {rgb:?}");
            assert!(distance(lab_from_linear(rgb), lab(share).unwrap()) < 1e-5, "{share}");
        }
    }

    #[test]
    fn the_sign_shows_along_the_axis_that_red_green_blindness_leaves() {
        for i in 2..=10 {
            let share = f64::from(i) / 10.0;
            let (inside, outside) = (lab(-share).unwrap(), lab(share).unwrap());
            assert!(outside[2] - inside[2] > 0.17 * share, "yellow against blue at {share}");
            assert!((outside[0] - inside[0]).abs() < 1e-12, "one lightness for one size at {share}");
        }
    }

    #[test]
    fn not_measured_looks_like_no_deviation_whatever() {
        for grey in HATCH {
            let grey = lab_from_linear(grey);
            for i in -100..=100 {
                let d = distance(grey, lab(f64::from(i) / 100.0).unwrap());
                assert!(d > 0.04, "share {i} is only {d} from a hatch grey");
            }
            assert!(distance(grey, MIDDLE) > 0.15);
        }
    }

    #[test]
    fn beyond_the_ends_the_colour_stays_and_nan_has_none() {
        assert_eq!(colour(3.0), colour(1.0));
        assert_eq!(colour(f64::NEG_INFINITY), colour(-1.0));
        assert_eq!(colour(f64::NAN), None);
        assert_eq!(srgb(PAPER, 1.0), [255, 255, 255]);
        assert_eq!(css(LIMIT_LINE), "#000000");
    }
}
