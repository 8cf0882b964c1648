//! The zones of a wall, each judged by its own limits, and the map of all places.

use super::super::by_rule::{Asked, judge};
use super::super::extract::{Extracted, LikelySurface};
use super::super::sight::Sight;
use super::super::{Subject, place};
use super::{Found, Lacks, coverage_of};
use crate::filter::add_correlated;
use crate::geometry::{Direction, Point, Vector};
use crate::partition::{Gaps, Lost, Seen, Why};
use crate::plan::{Thickness, ThicknessDefinition, ThicknessTarget, ZoneArea};
use crate::record::{Evaluation, Extreme, Interval, Limits, ThicknessResult, ThicknessZoneResult, Verdict};
use crate::run::Stopped;
use crate::search::PointGrid;
use crate::tolerance::{Surface, Thickness as Rule};

/// Most places of a map in the record: 30 kB of text.
const MOST_IN_MAP: usize = 1000;

/// Further than any noise that neighbouring points share reaches, mm.
const FAR_MM: f64 = 1e6;

/// A zone with its places.
struct Zone<'a> {
    name: String,
    target: &'a ThicknessTarget,
    /// Indices of its places.
    places: Vec<usize>,
}

/// Judges every zone and tells the one that settles the verdict.
pub(super) fn tell(
    subject: &Subject,
    required: &Thickness,
    found: &Found,
    evaluation: &mut Evaluation,
) -> Result<(), Stopped> {
    let zones = zones(subject, required, found);
    let sights = zones.iter().map(|z| sight(subject, found, &z.places)).collect::<Result<Vec<_>, _>>()?;
    let all: Vec<usize> = (0..found.walls.places.len()).collect();
    let whole = sight(subject, found, &all)?;
    evaluation.coverage = Some(coverage_of(&[&whole]));
    let mut told: Vec<(Evaluation, ThicknessZoneResult)> = Vec::with_capacity(zones.len());
    for (zone, sight) in zones.iter().zip(sights) {
        told.push(of_zone(subject, found, zone, sight, evaluation)?);
    }
    let rank = |v: Verdict| match v {
        Verdict::DoesNotConform => 0,
        Verdict::NotMeasured => 1,
        Verdict::Undecided => 2,
        Verdict::Conforms => 3,
    };
    // Of equal verdicts the zone with the least room, then the first.
    let least = |e: &Evaluation| room(e).unwrap_or(f64::INFINITY);
    let worst = (0..told.len()).min_by(|&a, &b| {
        let (x, y) = (&told[a].0, &told[b].0);
        rank(x.verdict).cmp(&rank(y.verdict)).then(least(x).total_cmp(&least(y))).then(a.cmp(&b))
    });
    let result = result(required, found, told.iter().map(|t| t.1.clone()).collect());
    if let Some(worst) = worst {
        let several = told.len() > 1;
        let (mut one, zone) = told.swap_remove(worst);
        one.coverage = evaluation.coverage.take();
        if several {
            one.operators.insert("zone".into(), zone.name.clone());
            one.reason = format!("zone {}: {}", zone.name, one.reason);
        }
        *evaluation = one;
    } else {
        evaluation.reason = "no place of the feature lies in a zone".into();
    }
    evaluation.thickness = result;
    Ok(())
}

/// The zones that the plan names, and what is left.
fn zones<'a>(subject: &Subject, required: &'a Thickness, found: &Found) -> Vec<Zone<'a>> {
    let of = |index: usize| -> Vec<usize> {
        (0..found.walls.places.len()).filter(|&i| found.walls.places[i].zone == index).collect()
    };
    let mut zones: Vec<Zone> = required
        .zones
        .iter()
        .enumerate()
        .map(|(i, z)| {
            let name = match z.area {
                ZoneArea::Feature(f) => {
                    subject.context.faces.features.get(f).map_or_else(String::new, |f| f.id.clone())
                }
                ZoneArea::Ball { at, radius_mm } => {
                    format!("within {radius_mm} mm of x {}, y {}, z {}", at.x, at.y, at.z)
                }
            };
            Zone { name, target: &z.target, places: of(i) }
        })
        .collect();
    let name = if zones.is_empty() { "whole" } else { "elsewhere" };
    let rest = Zone { name: name.into(), target: &required.target, places: of(required.zones.len()) };
    // Zones may cover the whole feature.
    if zones.is_empty() || !rest.places.is_empty() {
        zones.push(rest);
    }
    zones
}

/// How much of some places was seen on both sides, and why not the rest.
fn sight(subject: &Subject, found: &Found, places: &[usize]) -> Result<Sight, Stopped> {
    let context = subject.context;
    let (nominal, scan) = (context.nominal, context.scan);
    let pitch_mm = found.walls.pitch_mm;
    let wall = |i: usize| &found.walls.places[i];
    let at: Vec<Point> = places.iter().map(|&i| wall(i).at).collect();
    let far: Vec<Option<f64>> = places
        .iter()
        .map(|&i| {
            found.measured[i].deviation_mm.is_err().then(|| found.measured[i].far_mm.max(0.5 * pitch_mm))
        })
        .collect();
    let seen = Seen::of(&at, &far);
    // What lies there without a value, on either side.
    let [own, other] = &found.sides;
    let lost_own = Lost::over(nominal, scan, subject.partition, &subject.bound.triangles, &own.rest);
    let mut across: Vec<u32> =
        places.iter().filter_map(|&i| wall(i).other.as_ref().map(|o| o.triangle)).collect();
    across.sort_unstable();
    across.dedup();
    let lost_other = Lost::over(nominal, scan, subject.partition, &across, &other.rest);
    let mut lacking: Vec<(Point, Option<Direction>, f64)> = Vec::new();
    let mut reasons = Vec::new();
    let grids = [&lost_own, &lost_other].map(|lost| {
        [(Why::StandsOff, &lost.off), (Why::FacesAway, &lost.away), (Why::TooFew, &lost.few)]
            .map(|(why, points)| (why, PointGrid::new(points, 1.5 * pitch_mm)))
    });
    for (n, &i) in places.iter().enumerate() {
        if n % crate::run::CHECK_EVERY == 0 {
            context.run.check()?;
        }
        let Err(lacks) = found.measured[i].deviation_mm else { continue };
        let w = wall(i);
        let near = |side: usize, at: &Point| {
            let found = grids[side].iter().find(|(_, g)| g.nearest(at, 1.5 * pitch_mm, None).is_some());
            found.map(|f| f.0)
        };
        let (at, normal, why) = match (lacks, &w.other) {
            (Lacks::Other, _) | (_, None) => (w.at, w.normal, Why::NoOtherSide),
            (Lacks::Own, _) => (w.at, w.normal, near(0, &w.at).unwrap_or(Why::Unseen)),
            (Lacks::FewOwn, _) => (w.at, w.normal, Why::TooFew),
            (Lacks::Apart, _) => (w.at, w.normal, Why::Apart),
            (Lacks::Opposite, Some(o)) => (o.at, o.normal, near(1, &o.at).unwrap_or(Why::OtherSide)),
            (Lacks::FewOpposite, Some(o)) => (o.at, o.normal, Why::TooFew),
        };
        lacking.push((at, Some(normal), far[n].unwrap_or(0.0)));
        reasons.push(why);
    }
    let gaps = Gaps::of(context.run, &lacking, &reasons, places.len(), pitch_mm)?;
    let points = own.points.len() + other.points.len();
    Ok(Sight { seen, gaps, strip: Some(found.walls.strip), points, area_mm2: area(found, places.len()) })
}

/// The area that places stand for, mm2.
fn area(found: &Found, places: usize) -> f64 {
    found.walls.pitch_mm * found.walls.pitch_mm * places as f64
}

/// Judges one zone by its limits.
fn of_zone(
    subject: &Subject,
    found: &Found,
    zone: &Zone,
    sight: Sight,
    evaluation: &Evaluation,
) -> Result<(Evaluation, ThicknessZoneResult), Stopped> {
    let mut one = evaluation.clone();
    let valued: Vec<(usize, f64)> =
        zone.places.iter().filter_map(|&i| Some((i, found.measured[i].deviation_mm.ok()?))).collect();
    let nominal_mm = |i: usize| {
        let own = found.walls.places[i].other.as_ref().map_or(0.0, |o| o.thickness_mm);
        zone.target.nominal.stated_mm().unwrap_or(own)
    };
    let thickness_mm = |i: usize, deviation: f64| {
        found.walls.places[i].other.as_ref().map_or(0.0, |o| o.thickness_mm) + deviation
    };
    let mean = |values: &mut dyn Iterator<Item = f64>, n: usize| values.sum::<f64>() / n.max(1) as f64;
    let mean_mm = (!valued.is_empty())
        .then(|| mean(&mut valued.iter().map(|&(i, d)| thickness_mm(i, d)), valued.len()));
    let fraction = sight.seen.fraction;
    let blind = blind(subject, &sight);
    (one.limits.lower_mm, one.limits.upper_mm) = zone.target.limits_mm();
    if zone.places.is_empty() {
        one.reason =
            "no place of the feature lies in it, or all lie nearer to its border than the patch is wide"
                .into();
    } else if valued.is_empty() {
        one.reason = blind.unwrap_or_else(|| unseen(&sight));
    } else {
        let surface = |of: &dyn Fn(usize, f64) -> f64| Surface {
            points: valued.iter().map(|v| found.walls.places[v.0].at).collect(),
            normals: valued.iter().map(|v| found.walls.places[v.0].normal).collect(),
            deviations_mm: valued.iter().map(|&(i, d)| of(i, d)).collect(),
            wall_mm: None,
        };
        let missing = blind.or_else(|| found.far.clone());
        let measured = surface(&|i, d| thickness_mm(i, d) - nominal_mm(i));
        let mut noise: Vec<_> = valued.iter().map(|v| found.measured[v.0].noise).collect();
        let across: Vec<(Point, Vector)> = valued
            .iter()
            .map(|v| {
                let wall = &found.walls.places[v.0];
                let other = wall.other.as_ref();
                other.map_or((wall.at, Vector::zeros()), |o| (o.at, o.normal.vector()))
            })
            .collect();
        let correlated = &subject.context.inputs.correlated;
        let own = |k: usize| (measured.points[k], measured.normals[k].vector());
        add_correlated(&mut noise, own, correlated);
        // It was seen in other passes, so it shares no noise with its place: as if it lay far away.
        let away = |k: usize| (across[k].0 + Vector::new(FAR_MM, 0.0, 0.0), across[k].1);
        add_correlated(&mut noise, away, correlated);
        let likely = LikelySurface::new(
            subject.context.run,
            &measured,
            &measured.points,
            &noise,
            2.0 * found.patch_mm,
        )?;
        let extracted = Extracted {
            likely: Some(likely),
            measured,
            across: Some(across),
            perfect: surface(&|_, _| 0.0),
            noise,
            sight,
            noise_mm: found.sides.iter().map(|s| s.noise_mm).fold(0.0, f64::max),
            spikes: found.sides.iter().map(|s| s.spikes).sum(),
            far: missing,
            margin_mm: found.margin_mm,
            tiled: false,
            not_straight: None,
        };
        let mean_nominal = mean(&mut valued.iter().map(|v| nominal_mm(v.0)), valued.len());
        let asked = Asked {
            rule: Box::new(Rule),
            features: Vec::new(),
            own: 1,
            extremes: true,
            zone: false,
            part_proves: true,
            tolerance: tolerance(zone.target, mean_nominal),
            aligned: false,
            bias_told: true,
            limits: [zone.target.lower_deviation_mm, zone.target.upper_deviation_mm],
            besides: Vec::new(),
        };
        judge(subject, &asked, &[extracted], &mut one)?;
        if let Some(doubt) = &found.doubt
            && matches!(one.verdict, Verdict::Conforms | Verdict::DoesNotConform)
        {
            one.verdict = Verdict::Undecided;
            one.reason.clone_from(doubt);
        }
        from_deviations(zone, &valued, &|i| nominal_mm(i), found, &mut one);
    }
    let result = ThicknessZoneResult {
        name: zone.name.clone(),
        nominal_mm: zone.target.nominal.stated_mm(),
        lower_deviation_mm: zone.target.lower_deviation_mm,
        upper_deviation_mm: zone.target.upper_deviation_mm,
        places: valued.len() as u64,
        area_mm2: area(found, valued.len()),
        fraction,
        mean_mm,
        minimum: one.minimum,
        maximum: one.maximum,
        verdict: one.verdict,
        reason: one.reason.clone(),
    };
    Ok((one, result))
}

/// Width of the tolerance, mm. One limit alone leaves it open: then its distance from the nominal thickness stands for
/// it, or a tenth of that thickness where it lies on it (our own choice).
fn tolerance(target: &ThicknessTarget, nominal_mm: f64) -> f64 {
    match (target.lower_deviation_mm, target.upper_deviation_mm) {
        (Some(lower), Some(upper)) => upper - lower,
        (Some(one), None) | (None, Some(one)) if one != 0.0 => one.abs(),
        _ => 0.1 * nominal_mm,
    }
}

/// From deviations, as the rule judged them, to thicknesses at their places.
fn from_deviations(
    zone: &Zone,
    valued: &[(usize, f64)],
    nominal_mm: &dyn Fn(usize) -> f64,
    found: &Found,
    one: &mut Evaluation,
) {
    let nominal_at = |extreme: &Extreme| {
        let here = |v: &&(usize, f64)| place(&found.walls.places[v.0].at) == extreme.at_mm;
        valued.iter().find(here).map_or(0.0, |v| nominal_mm(v.0))
    };
    // The value is one of the two extremes; where none was told the one with less room stands for it.
    let room = |e: &Extreme, lower: bool| {
        let limit = if lower { zone.target.lower_deviation_mm } else { zone.target.upper_deviation_mm };
        limit.map_or(f64::INFINITY, |l| if lower { e.value_mm - l } else { l - e.value_mm })
    };
    let told = match (&one.minimum, &one.maximum) {
        (Some(low), Some(high)) => {
            let is_low = match one.value_mm {
                Some(value) => value == low.value_mm,
                None => room(low, true) <= room(high, false),
            };
            Some(if is_low { *low } else { *high })
        }
        _ => None,
    };
    let Some(told) = told else { return };
    let nominal = nominal_at(&told);
    let shifted = |e: Extreme| Extreme { value_mm: e.value_mm + nominal_at(&e), ..e };
    one.value_mm = one.value_mm.map(|v| v + nominal);
    one.interval =
        one.interval.map(|i| Interval { low_mm: i.low_mm + nominal, high_mm: i.high_mm + nominal });
    let of = |deviation: Option<f64>| deviation.map(|d| nominal + d);
    one.limits =
        Limits { lower_mm: of(zone.target.lower_deviation_mm), upper_mm: of(zone.target.upper_deviation_mm) };
    one.minimum = one.minimum.map(shifted);
    one.maximum = one.maximum.map(shifted);
    if let Some(raw) = one.operators.get_mut("uncorrected_mm")
        && let Ok(value) = raw.parse::<f64>()
    {
        *raw = format!("{:.5}", value + nominal);
    }
}

/// Room of the told value to its nearer limit, mm.
fn room(e: &Evaluation) -> Option<f64> {
    let low = e.limits.lower_mm.zip(e.minimum).map(|(l, m)| m.value_mm - l);
    let high = e.limits.upper_mm.zip(e.maximum).map(|(l, m)| l - m.value_mm);
    low.into_iter().chain(high).reduce(f64::min)
}

/// Why too much of it has no thickness at all on the nominal, in which case no scan helps.
fn blind(subject: &Subject, sight: &Sight) -> Option<String> {
    let share = *sight.gaps.shares.get(&Why::NoOtherSide)?;
    (1.0 - share < subject.characteristic.needs.coverage).then(|| {
        format!(
            "on {:.1} % of the feature the nominal has nothing that faces it across the material: pick a smaller face, name \
             the `opposite` one, or raise `largest_nominal_mm`",
            100.0 * share
        )
    })
}

/// Why nothing of a zone has a value.
fn unseen(sight: &Sight) -> String {
    let share = |why: Why| sight.gaps.shares.get(&why).copied().unwrap_or(0.0);
    if share(Why::OtherSide) > 0.5 {
        "the other side of the wall was not seen; scan both sides".into()
    } else if share(Why::Apart) > 0.5 {
        "its sides were seen by different scans, which share too little of the part to tell how they lie to each other: scan \
         both sides in one, or faces in both that hold them along the thickness"
            .into()
    } else if share(Why::TooFew) > 0.5 {
        "too few points lie within a patch; scan more closely, or take a larger `patch_radius_mm`".into()
    } else if share(Why::Unseen) > 0.5 {
        "the side of the feature itself was not seen; scan both sides".into()
    } else {
        "no place of it was seen on both sides".into()
    }
}

/// What is told of the whole wall; `None` where no place has a value.
fn result(required: &Thickness, found: &Found, zones: Vec<ThicknessZoneResult>) -> Option<ThicknessResult> {
    let mut places: Vec<(Point, Direction, f64)> = Vec::new();
    let mut variance = 0.0;
    for (w, m) in found.walls.places.iter().zip(&found.measured) {
        if let (Some(other), Ok(deviation)) = (&w.other, m.deviation_mm) {
            places.push((w.at, w.normal, other.thickness_mm + deviation));
            variance += m.variance_mm2;
        }
    }
    let count = places.len() as f64;
    let by = |a: &&(Point, Direction, f64), b: &&(Point, Direction, f64)| a.2.total_cmp(&b.2);
    let told = |p: &(Point, Direction, f64)| Extreme { value_mm: p.2, at_mm: place(&p.0) };
    let (thinnest, thickest) = (places.iter().min_by(by)?, places.iter().max_by(by)?);
    Some(ThicknessResult {
        thinnest: told(thinnest),
        thickest: told(thickest),
        definition: match required.definition {
            ThicknessDefinition::AlongNormal => "along_normal".into(),
            ThicknessDefinition::InscribedBall => "inscribed_ball".into(),
        },
        patch_radius_mm: required.patch_radius_mm,
        mean_mm: places.iter().map(|p| p.2).sum::<f64>() / count,
        place_noise_mm: (variance / count).sqrt(),
        points: found.sides[0].points.len() as u64,
        points_opposite: found.sides[1].points.len() as u64,
        zones,
        map_mm: map(&places, found.walls.pitch_mm),
    })
}

/// Places and thicknesses, by means over cells where there are too many. Skins that lie in one cell stay apart.
fn map(places: &[(Point, Direction, f64)], pitch_mm: f64) -> Vec<f64> {
    let digits = |v: f64, per: f64| (v * per).round() / per + 0.0;
    let row = |p: &Point, mm: f64| [digits(p.x, 1e3), digits(p.y, 1e3), digits(p.z, 1e3), digits(mm, 1e5)];
    if places.len() <= MOST_IN_MAP {
        return places.iter().flat_map(|(p, _, mm)| row(p, *mm)).collect();
    }
    let at: Vec<Point> = places.iter().map(|p| p.0).collect();
    let mut edge = pitch_mm * (places.len() as f64 / MOST_IN_MAP as f64).sqrt();
    loop {
        let mut rows: Vec<[f64; 4]> = Vec::new();
        for cell in PointGrid::new(&at, edge).cells() {
            let mut left: Vec<u32> = cell.to_vec();
            while let Some(&first) = left.first() {
                let facing = places[first as usize].1;
                let (mine, rest): (Vec<u32>, Vec<u32>) =
                    left.into_iter().partition(|&i| places[i as usize].1.dot(facing) > 0.5);
                let n = mine.len() as f64;
                let middle = mine.iter().fold(Vector::zeros(), |s, &i| s + at[i as usize].coords);
                let mm = mine.iter().map(|&i| places[i as usize].2).sum::<f64>() / n;
                rows.push(row(&Point::from(middle / n), mm));
                left = rest;
            }
        }
        if rows.len() <= MOST_IN_MAP {
            return rows.concat();
        }
        edge *= 1.2;
    }
}
