//! Answers of the calls that keep no record. Long with its tests: one table for each.

use scantling_proto::v1::{
    AlignResponse, AssociateResponse, EvaluateResponse, FindingKind, LocateResponse, Placement,
    SimulateScanResponse, Verdict,
};

use super::inspection::{over, reasoned, verdict};
use super::{Entry, Look, evaluations, facts, number, number::plain, strong, table, words};

/// What lies in a scan.
pub(crate) fn located(answer: &LocateResponse, look: &Look) -> String {
    let mut text = String::new();
    if answer.findings.is_empty() {
        text += "no such part was found\n";
    } else {
        let three = |v: &[f64]| v.iter().map(|x| format!("{x:.1}")).collect::<Vec<_>>().join(", ");
        let rows: Vec<Vec<Entry>> = answer
            .findings
            .iter()
            .enumerate()
            .map(|(k, f)| {
                let kind = kind(f.kind());
                let region = f.region.clone().unwrap_or_default();
                vec![
                    number((k + 1).to_string()),
                    if f.kind() == FindingKind::Part { words(kind) } else { strong(kind) },
                    number(f.points.to_string()),
                    number(
                        f.explained
                            .map_or("-".to_owned(), |e| format!("{:.1} %", (e * 1000.0).floor() / 10.0)),
                    ),
                    words(three(&region.minimum_mm)),
                    words(three(&region.maximum_mm)),
                    words(&f.reason),
                ]
            })
            .collect();
        text += &table(&["no.", "what", "points", "explained", "from, mm", "to, mm", "why"], rows, look);
        for (k, finding) in answer.findings.iter().enumerate() {
            for placement in &finding.placements {
                text += &format!("\n{} lies so: part = turn * scan + shift\n{}", k + 1, pose(placement));
            }
        }
    }
    let mut lines = vec![("other points", answer.other_points.to_string())];
    lines.extend(answer.notes.iter().map(|note| ("note", note.clone())));
    text + "\n" + &facts(&lines, look)
}

/// A kind of finding in words.
pub(crate) fn kind(kind: FindingKind) -> &'static str {
    match kind {
        FindingKind::Part => "part",
        FindingKind::OtherHand => "OTHER HAND",
        FindingKind::Undetermined => "UNDETERMINED",
        FindingKind::Other => "something else",
        FindingKind::Unspecified => "unknown to this program",
    }
}

/// Turn and shift, a row a line.
fn pose(placement: &Placement) -> String {
    let (turn, shift) = (&placement.rotation, &placement.translation_mm);
    let mut text = String::new();
    for (row, shift) in turn.chunks(3).zip(shift) {
        let row: Vec<String> = row.iter().map(|v| format!("{v:>12.9}")).collect();
        text += &format!("  {}   {shift:>12.4} mm\n", row.join(" "));
    }
    text
}

/// How a part lies.
pub(crate) fn aligned(answer: &AlignResponse, look: &Look) -> String {
    let mut text = "lies so: part = turn * scan + shift\n".to_owned();
    text += &answer.placement.as_ref().map_or("  not known\n".to_owned(), pose);
    let best = answer.best_fit.as_ref().filter(|best| Some(*best) != answer.placement.as_ref());
    if let Some(best) = best {
        text += &format!("by best fit on the surface\n{}", pose(best));
    }
    text.push('\n');
    let small = |v: f64| format!("{v:.5}");
    let spread = match answer.standard_uncertainty.as_slice() {
        [tx, ty, tz, x, y, z] => format!(
            "turns {tx:.2e}, {ty:.2e}, {tz:.2e} rad; shifts {}, {}, {} mm",
            small(*x),
            small(*y),
            small(*z)
        ),
        _ => String::new(),
    };
    let mut lines = vec![
        ("best fit", format!("{}, on {} points", answer.stop, answer.points)),
        ("rms", format!("{} mm", small(answer.rms_mm))),
        ("noise", format!("{} mm", small(answer.noise_mm))),
        ("uncertainty", spread),
    ];
    lines.extend(answer.weak_directions.iter().map(|weak| ("weak", weak.clone())));
    lines.extend(answer.cautions.iter().map(|caution| ("caution", caution.clone())));
    text += &facts(&lines, look);
    if !answer.datums.is_empty() {
        let rows = answer.datums.iter().map(|d| {
            vec![
                words(&d.letter),
                words(&d.feature),
                words(d.locks.join(", ")),
                number(d.residual_mm.map_or("-".to_owned(), small)),
            ]
        });
        text.push('\n');
        text += &table(&["datum", "of", "locks", "residual mm"], rows.collect(), look);
    }
    text
}

/// Characteristics and the verdict over them, which is no record.
pub(crate) fn evaluated(answer: &EvaluateResponse, groups: &[String], look: &Look) -> String {
    let mut text = evaluations::all(&answer.evaluations, look);
    text += &evaluations::advice(&answer.advice, look);
    let word = verdict(answer.verdict());
    let shown = if answer.verdict() == Verdict::Unspecified { "NO VERDICT" } else { word };
    // What passes for one group must not read as a release.
    let shown = over(shown, groups);
    let mut lines = vec![
        ("verdict", reasoned(&shown, word, &answer.reason)),
        ("result", answer.result_sha256.clone()),
        ("record", "none: `scantling measure` makes one".to_owned()),
    ];
    lines.extend(answer.cautions.iter().map(|caution| ("caution", caution.clone())));
    text += &facts(&lines, look);
    text
}

/// A scan by computation.
pub(crate) fn simulated(made: &SimulateScanResponse, saved: &[String], look: &Look) -> String {
    let mut lines = vec![
        ("scan", made.blob.clone()),
        ("points", made.points.to_string()),
        ("recorded as", format!("{}, simulated", made.acquisition)),
    ];
    lines.extend(saved.iter().map(|file| ("saved as", file.clone())));
    facts(&lines, look)
}

/// A shape's numbers.
pub(crate) fn associated(answer: &AssociateResponse, look: &Look) -> String {
    let rows = answer.parameters.iter().map(|p| {
        let unit = if p.unit == "1" { "" } else { &p.unit };
        vec![words(&p.name), number(format!("{:.9}", p.value)), words(unit)]
    });
    let mut text = table(&["parameter", "value", "unit"], rows.collect(), look);
    text.push('\n');
    let place = |extreme: &Option<scantling_proto::v1::Extreme>| match extreme {
        Some(e) => match e.at_mm[..] {
            [x, y, z] => format!("{:.6} mm at x {}, y {}, z {}", e.value_mm, plain(x), plain(y), plain(z)),
            _ => format!("{:.6} mm", e.value_mm),
        },
        None => String::new(),
    };
    let mut lines = vec![
        ("criterion", answer.criterion.clone()),
        ("points", answer.points.to_string()),
        ("form error", format!("{:.6} mm", answer.form_error_mm)),
        ("lowest", place(&answer.minimum)),
        ("highest", place(&answer.maximum)),
        ("rms", format!("{:.6} mm", answer.rms_mm)),
    ];
    let noise = answer.noise_mm.map_or("not known: no point to spare".to_owned(), |n| format!("{n:.6} mm"));
    lines.push((if answer.proof.is_some() { "noise by least squares" } else { "noise" }, noise));
    if let Some(out) = &answer.out_of_plane {
        let noise = out.noise_mm.map_or("not known".to_owned(), |n| format!("{n:.6} mm"));
        let told = format!("form error {:.6} mm, rms {:.6} mm, noise {noise}", out.form_error_mm, out.rms_mm);
        lines.push(("out of plane", told));
    }
    for rival in &answer.rivals {
        let axis: Vec<String> = rival.direction.iter().map(|v| format!("{v:.9}")).collect();
        let told = format!("AMBIGUOUS: one along ({}) meets the points exactly as well", axis.join(", "));
        lines.push(("rival", told));
    }
    if let Some(proof) = &answer.proof {
        let far = if proof.best_of_all { "nothing is better anywhere" } else { "the best of what was found" };
        let arrived = format!("; {} of {} starts ended here", proof.arrived, proof.starts);
        // One start alone says nothing of others.
        lines.push(("proof", far.to_owned() + if proof.starts > 1 { &arrived } else { "" }));
    }
    lines.extend(answer.cautions.iter().map(|caution| ("caution", caution.clone())));
    text += &facts(&lines, look);
    if !answer.contacts.is_empty() {
        let rows = answer.contacts.iter().map(|c| {
            let at = c.at_mm.iter().map(|v| number(plain(*v)));
            // No minus before what is rounded to nothing; a small weight is a caution and keeps its digits.
            let off = if c.value_mm.abs() < 5e-7 { 0.0 } else { c.value_mm };
            let weight =
                if c.weight < 0.01 { format!("{:.1e}", c.weight) } else { format!("{:.4}", c.weight) };
            let told = [number(format!("{off:.6}")), number(weight)];
            std::iter::once(number(c.index.to_string())).chain(at).chain(told).collect()
        });
        text.push('\n');
        text += &table(&["contact", "x mm", "y mm", "z mm", "off mm", "weight"], rows.collect(), look);
    }
    let notes: Vec<_> = answer.notes.iter().map(|note| ("note", note.clone())).collect();
    text += &facts(&notes, look);
    let of = &answer.covariance_of;
    // Noise says nothing of how a few contacts scatter.
    if answer.proof.is_some() {
        return text;
    }
    if of.is_empty() || answer.covariance.len() != of.len() * of.len() {
        return text + "covariance  not known\n";
    }
    // The whole matrix is wider than any terminal.
    let rows = of.iter().enumerate().map(|(k, name)| {
        let variance = answer.covariance[k * of.len() + k];
        vec![words(name), number(format!("{:.2e}", variance.max(0.0).sqrt()))]
    });
    text.push('\n');
    text += &table(&["freedom", "standard uncertainty"], rows.collect(), look);
    text + "covariances between them: --output json\n"
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::tests::PLAIN;
    use scantling_proto::v1::{
        DatumResidual, Extreme, Finding, OutOfPlane, Region, ShapeAxis, ShapeContact, ShapeParameter,
        ShapeProof,
    };

    fn placement() -> Placement {
        Placement {
            rotation: vec![1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0],
            translation_mm: vec![1.0, -2.5, 0.0],
        }
    }

    #[test]
    fn findings_are_numbered_and_what_is_no_part_stands_out() {
        let finding = |kind: FindingKind, points| Finding {
            kind: kind.into(),
            placements: vec![placement()],
            region: Some(Region { minimum_mm: vec![0.0; 3], maximum_mm: vec![600.0, 400.0, 62.0] }),
            points,
            explained: Some(0.9999),
            reason: "seen".into(),
            ..Finding::default()
        };
        let answer = LocateResponse {
            findings: vec![finding(FindingKind::Part, 1000), finding(FindingKind::OtherHand, 900)],
            other_points: 77,
            notes: vec!["columns not read: 4".into()],
        };
        let text = located(&answer, &PLAIN);
        for wanted in [
            "1  part ",
            "2  OTHER HAND",
            "99.9 %",
            "600.0, 400.0, 62.0",
            "-2.5000 mm",
            "other points  77\nnote          columns not read: 4",
        ] {
            assert!(text.contains(wanted), "{wanted} is not in:\n{text}");
        }
        let none = located(&LocateResponse::default(), &PLAIN);
        assert!(none.starts_with("no such part was found\n"), "{none}");
    }

    #[test]
    fn an_alignment_shows_what_is_weak_and_what_is_left_over() {
        let answer = AlignResponse {
            placement: Some(placement()),
            best_fit: Some(placement()),
            points: 500,
            stop: "settled".into(),
            standard_uncertainty: vec![1e-6; 6],
            weak_directions: vec!["slides along x".into()],
            datums: vec![DatumResidual {
                letter: "A".into(),
                feature: "A4".into(),
                locks: vec!["z".into()],
                residual_mm: Some(-0.012_345),
            }],
            ..AlignResponse::default()
        };
        let text = aligned(&answer, &PLAIN);
        for wanted in ["settled, on 500 points", "slides along x", "-0.01235", "1.00e-6"] {
            assert!(text.contains(wanted), "{wanted} is not in:\n{text}");
        }
        assert!(!text.contains("by best fit"), "{text}");
    }

    #[test]
    fn an_unrecorded_answer_says_so() {
        let answer = EvaluateResponse {
            verdict: Verdict::Conforms.into(),
            reason: "conforms".into(),
            ..EvaluateResponse::default()
        };
        let text = evaluated(&answer, &[], &PLAIN);
        assert!(text.contains("verdict  CONFORMS\n") && text.contains("record   none"), "{text}");
        let some = evaluated(&answer, &["skin".to_owned()], &PLAIN);
        assert!(some.contains("verdict  CONFORMS (skin only)\n"), "{some}");
        let none = evaluated(&EvaluateResponse::default(), &[], &PLAIN);
        assert!(!none.contains("CONFORM") && none.contains("NO VERDICT"), "{none}");
    }

    #[test]
    fn a_shape_is_told_with_form_error_and_covariance() {
        let mut answer = AssociateResponse {
            parameters: vec![
                ShapeParameter { name: "diameter".into(), value: 8.012_345_678_9, unit: "mm".into() },
                ShapeParameter { name: "direction_z".into(), value: 1.0, unit: "1".into() },
            ],
            points: 12,
            form_error_mm: 0.0123,
            minimum: Some(Extreme { value_mm: -0.005, at_mm: vec![1.0, 2.0, 3.0] }),
            covariance_of: vec!["diameter, mm".into(), "shift, mm".into()],
            covariance: vec![1e-6, 0.0, 0.0, 2e-6],
            criterion: "least squares".into(),
            ..AssociateResponse::default()
        };
        let text = associated(&answer, &PLAIN);
        for wanted in
            ["8.012345679  mm", "form error  0.012300 mm", "shift, mm                  1.41e-3", "at x 1.000"]
        {
            assert!(text.contains(wanted), "{wanted} is not in:\n{text}");
        }
        assert!(!text.contains("out of plane") && !text.contains("AMBIGUOUS"), "{text}");
        answer.out_of_plane = Some(OutOfPlane { form_error_mm: 0.25, rms_mm: 0.1, noise_mm: Some(0.125) });
        answer.rivals = vec![ShapeAxis { direction: vec![0.6, 0.0, 0.8] }];
        let text = associated(&answer, &PLAIN);
        for wanted in [
            "out of plane  form error 0.250000 mm, rms 0.100000 mm, noise 0.125000 mm",
            "AMBIGUOUS: one along (0.600000000, 0.000000000, 0.800000000)",
        ] {
            assert!(text.contains(wanted), "{wanted} is not in:\n{text}");
        }
        answer.covariance.clear();
        assert!(associated(&answer, &PLAIN).contains("covariance  not known"));
        answer.proof = Some(ShapeProof { gain: 0.0, held: true, starts: 11, arrived: 9, best_of_all: false });
        let contact = ShapeContact { at_mm: vec![1.0, 2.0, 3.0], value_mm: -0.005, weight: 0.5, index: 7 };
        answer.contacts = vec![contact];
        let text = associated(&answer, &PLAIN);
        for wanted in ["the best of what was found; 9 of 11 starts ended here", "-0.005000  0.5000"] {
            assert!(text.contains(wanted), "{wanted} is not in:\n{text}");
        }
        assert!(!text.contains("covariance"), "{text}");
        (answer.noise_mm, answer.cautions) = (Some(0.004), vec!["hardly held: a contact".into()]);
        if let Some(proof) = &mut answer.proof {
            (proof.starts, proof.arrived) = (1, 1);
        }
        let text = associated(&answer, &PLAIN);
        for wanted in
            ["noise by least squares  0.004000 mm", "hardly held: a contact", "the best of what was found\n"]
        {
            assert!(text.contains(wanted), "{wanted} is not in:\n{text}");
        }
    }
}
