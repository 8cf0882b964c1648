//! Features that are named by faces of a STEP nominal: read, found again, and bound.

use super::bind::{Found, Pick, REACH_MM, distance_to, judge, two_nearest};
use super::domain::{Place, Situation};
use super::fault::Faults;
use super::file::{self, FaceSurfaceKind, FeatureKind};
use super::tree::short;
use crate::geometry::{Direction, Point, Vector, math};
use crate::nominal::{Carrier, FaceKey, Fingerprint, Nominal, SurfaceKind};

/// Where a feature is that names faces; its faults are added.
pub(super) fn place(
    faults: &Faults,
    place: &str,
    face: Option<&str>,
    prints_given: &[file::FaceFingerprint],
) -> Option<Place> {
    let keys = match face {
        None => Vec::new(),
        Some(text) => {
            let words: Vec<&str> = text.split([' ', ',']).filter(|w| !w.is_empty()).collect();
            let keys: Option<Vec<FaceKey>> = words.iter().map(|w| key(w)).collect();
            match keys {
                Some(keys) if !keys.is_empty() => keys,
                _ => {
                    let words = "names no face; write its number in the STEP file, such as `#1187`, several parted by spaces";
                    faults.add(format!("{place}.face"), words);
                    return None;
                }
            }
        }
    };
    let mut twice = keys.clone();
    twice.sort();
    if let Some(pair) = twice.windows(2).find(|w| w[0] == w[1]) {
        faults.add(format!("{place}.face"), format!("names {} twice; leave one", pair[0]));
    }
    let mut prints = Vec::with_capacity(prints_given.len());
    for (i, print) in prints_given.iter().enumerate() {
        prints.push(fingerprint(faults, &format!("{place}.fingerprint[{i}]"), print)?);
    }
    if !keys.is_empty() && !prints.is_empty() && keys.len() != prints.len() {
        let (n, m) = (prints.len(), keys.len());
        faults.add(
            format!("{place}.fingerprint"),
            format!("has {n} entries for {m} faces; write one for each, in their order"),
        );
    }
    Some(Place::Faces { keys, prints })
}

/// `#1187` or `#1187/1`.
fn key(word: &str) -> Option<FaceKey> {
    let (id, instance) = match word.strip_prefix('#')?.split_once('/') {
        Some((id, instance)) => (id, instance.parse().ok()?),
        None => (word.strip_prefix('#')?, 0),
    };
    Some(FaceKey { id: id.parse().ok()?, instance })
}

fn fingerprint(faults: &Faults, place: &str, f: &file::FaceFingerprint) -> Option<Fingerprint> {
    let kind = match f.surface {
        FaceSurfaceKind::Plane => SurfaceKind::Plane,
        FaceSurfaceKind::Cylinder => SurfaceKind::Cylinder,
        FaceSurfaceKind::Cone => SurfaceKind::Cone,
        FaceSurfaceKind::Sphere => SurfaceKind::Sphere,
        FaceSurfaceKind::Torus => SurfaceKind::Torus,
        FaceSurfaceKind::Freeform => SurfaceKind::Freeform,
    };
    let positive = |x: f64| x.is_finite() && x > 0.0;
    let mut sound = true;
    for (word, value) in
        [("area_mm2", Some(f.area_mm2)), ("diameter_mm", f.diameter_mm), ("angle_deg", f.angle_deg)]
    {
        if value.is_some_and(|x| !positive(x)) {
            faults.add(format!("{place}.{word}"), "is not above zero; copy it from `scantling part faces`");
            sound = false;
        }
    }
    let [x, y, z] = f.centroid_mm.as_slice() else {
        faults.add(format!("{place}.centroid_mm"), "has not three numbers; write x, y, z in mm");
        return None;
    };
    let centroid = Point::new(*x, *y, *z);
    if !centroid.coords.iter().all(|x| x.is_finite()) {
        faults.add(format!("{place}.centroid_mm"), "is no place; write x, y, z in mm");
        sound = false;
    }
    let size = f.diameter_mm.or(f.angle_deg.map(f64::to_radians));
    let direction = match f.direction.as_slice() {
        [] => None,
        [x, y, z] => {
            let direction = Direction::new(Vector::new(*x, *y, *z));
            if direction.is_none() {
                faults.add(
                    format!("{place}.direction"),
                    "is no direction; copy it from `scantling part faces`",
                );
                sound = false;
            }
            direction
        }
        _ => {
            faults.add(format!("{place}.direction"), "has not three numbers; write x, y, z");
            sound = false;
            None
        }
    };
    sound.then_some(Fingerprint { kind, area_mm2: f.area_mm2, centroid, size, direction, spread: None })
}

/// The faces that are meant, by index, and what there is to tell about how they were found.
pub(super) fn found(
    keys: &[FaceKey],
    prints: &[Fingerprint],
    nominal: &Nominal,
) -> Result<(Vec<u32>, Vec<String>), String> {
    if nominal.faces().iter().all(|f| f.key.is_none()) {
        return Err(
            "the nominal's faces have no numbers: only those of a STEP file do; pick it by `near_mm`".into(),
        );
    }
    let (mut faces, mut remarks) = (Vec::new(), Vec::new());
    let mut lost: Vec<(usize, String)> = Vec::new();
    for i in 0..keys.len().max(prints.len()) {
        match one(keys.get(i), prints.get(i), nominal) {
            Ok((found, remark)) => {
                for face in found {
                    if faces.contains(&face) {
                        let face = told(nominal, face);
                        return Err(format!("two of its faces turn out to be {face}; name each once"));
                    }
                    faces.push(face);
                }
                remarks.extend(remark);
            }
            Err(words) => lost.push((i, words)),
        }
    }
    if let Some((_, words)) = lost.first() {
        // What were several faces of one surface may be one now.
        let those: Vec<Fingerprint> = lost.iter().filter_map(|(i, _)| prints.get(*i).copied()).collect();
        let whole = if those.len() == lost.len() { Fingerprint::together(&those) } else { None };
        let same = |f: &u32| whole.is_some_and(|w| Fingerprint::of(nominal, *f).same(&w));
        let fit: Vec<u32> = (0..nominal.faces().len() as u32).filter(same).collect();
        let &[face] = fit.as_slice() else { return Err(words.clone()) };
        if faces.contains(&face) {
            return Err(words.clone());
        }
        faces.push(face);
        let were: Vec<String> = lost.iter().filter_map(|(i, _)| Some(keys.get(*i)?.to_string())).collect();
        let were = if were.is_empty() { format!("{} faces", lost.len()) } else { were.join(" and ") };
        remarks.push(format!(
            "{were} are now {} together: it was found by their fingerprints",
            told(nominal, face)
        ));
    }
    Ok((faces, remarks))
}

fn told(nominal: &Nominal, face: u32) -> String {
    nominal.faces()[face as usize].key.map_or_else(|| format!("face {face}"), |k| k.to_string())
}

fn one(
    key: Option<&FaceKey>,
    print: Option<&Fingerprint>,
    nominal: &Nominal,
) -> Result<(Vec<u32>, Option<String>), String> {
    let by_number =
        key.and_then(|k| (0u32..).zip(nominal.faces()).find(|(_, f)| f.key == Some(*k)).map(|(i, _)| i));
    let Some(print) = print else {
        let key = key.expect("a face is named by its number or its fingerprint");
        return by_number.map(|face| (vec![face], None)).ok_or_else(|| absent(key, nominal));
    };
    let of = |face: u32| Fingerprint::of(nominal, face);
    if let Some(face) = by_number.filter(|&f| of(f).same(print)) {
        return Ok((vec![face], None));
    }
    let all = 0..nominal.faces().len() as u32;
    let same: Vec<u32> = all.clone().filter(|&f| of(f).same(print)).collect();
    let named = key.map_or_else(|| "a face by its fingerprint".to_owned(), |k| k.to_string());
    match same.as_slice() {
        [face] => {
            let remark =
                key.map(|k| format!("{k} is now {}: it was found by its fingerprint", told(nominal, *face)));
            Ok((vec![*face], remark))
        }
        [] => {
            // It may have been told before in one piece what stands in several now.
            let pieces: Vec<Vec<u32>> = of_one_surface(nominal, |_| true)
                .into_iter()
                .filter(|s| s.len() > 1 && Fingerprint::of_faces(nominal, s).same(print))
                .collect();
            if let [pieces] = pieces.as_slice() {
                let list: Vec<String> = pieces.iter().map(|f| told(nominal, *f)).collect();
                let remark =
                    format!("{named} is now {}: they were found by its fingerprint", list.join(" and "));
                return Ok((pieces.clone(), Some(remark)));
            }
            // Where it could not be taken from this file it is not gone.
            if let Some((_, why)) = key.and_then(|k| nominal.missing().iter().find(|m| m.0 == k.id)) {
                return Err(format!("face {named} could not be taken from the file: {why}"));
            }
            // What is most like it.
            let rank = |f: &u32| (!of(*f).alike(print), of(*f).kind != print.kind, of(*f).apart_mm(print));
            let nearest = all.min_by(|a, b| {
                let (a, b) = (rank(a), rank(b));
                a.0.cmp(&b.0).then(a.1.cmp(&b.1)).then(a.2.total_cmp(&b.2))
            });
            let most = nearest.map_or_else(String::new, |f| {
                format!(
                    "; most like it is {}, a {}, {:.3} mm away",
                    told(nominal, f),
                    of(f),
                    of(f).apart_mm(print)
                )
            });
            Err(format!(
                "{named}: no face of the nominal is a {print}{most}. Compare both revisions with `scantling part diff`, then name the face that is meant"
            ))
        }
        more => {
            let list: Vec<String> = more.iter().take(4).map(|f| told(nominal, *f)).collect();
            Err(format!(
                "{named}: {} faces fit its fingerprint ({}); name the one that is meant",
                more.len(),
                list.join(", ")
            ))
        }
    }
}

fn absent(key: &FaceKey, nominal: &Nominal) -> String {
    if let Some((_, why)) = nominal.missing().iter().find(|(id, _)| *id == key.id) {
        return format!("face {key} could not be taken from the file: {why}");
    }
    let instances = nominal.faces_of(key.id).len();
    if instances > 0 {
        let last = if instances > 1 {
            format!(", the last as #{}/{}", key.id, instances - 1)
        } else {
            String::new()
        };
        return format!(
            "face {key}: its part is placed {instances} times only; the first is named #{}{last}",
            key.id
        );
    }
    format!("the nominal has no face {}; list them with `scantling part faces`", short(&key.to_string()))
}

impl Pick {
    /// Whether all faces that are named are among these triangles.
    pub(super) fn names(&self, triangles: &[u32], nominal: &Nominal) -> bool {
        let first = |face: &u32| nominal.faces()[*face as usize].triangles[0];
        self.faces.iter().all(|f| triangles.contains(&first(f)))
    }

    /// Which of some candidates holds the faces that are named.
    pub(super) fn named<'a>(
        &self,
        candidates: impl Iterator<Item = &'a [u32]>,
        nominal: &Nominal,
    ) -> Result<usize, String> {
        let mut candidates = candidates.enumerate();
        candidates.find(|(_, t)| self.names(t, nominal)).map(|(i, _)| i).ok_or_else(|| {
            let list: Vec<String> = self.faces.iter().take(6).map(|f| told(nominal, *f)).collect();
            format!("{} is no {}; name its face, or mend the kind", list.join(" and "), self.kind.word())
        })
    }
}

/// The plane of the faces that are named: one, or several that lie in one plane.
pub(super) fn plane(pick: &Pick, nominal: &Nominal) -> Result<Found, String> {
    let mut found: Option<(Carrier, Point, Direction)> = None;
    let mut triangles = Vec::new();
    for &face in &pick.faces {
        let own = &nominal.faces()[face as usize];
        let Some(carrier @ Carrier::Plane { point, normal }) = own.carrier else {
            return Err(format!("{} is no plane; mend the kind", told(nominal, face)));
        };
        if let Some((_, first, along)) = found {
            // A thousandth of a millimetre at the face itself.
            let off = (own.centroid - first).dot(&along.vector()).abs();
            if off > 1e-3 || normal.angle_to(along) > 1e-5 {
                return Err(format!(
                    "{} does not lie in one plane with {}; make a group of them",
                    told(nominal, face),
                    told(nominal, pick.faces[0])
                ));
            }
        }
        found.get_or_insert((carrier, point, normal));
        triangles.extend_from_slice(&own.triangles);
    }
    let (carrier, at, normal) = found.ok_or("it names no face")?;
    Ok(Found { triangles, carrier: Some(carrier), situation: Situation::Plane { at, normal } })
}

/// All of the faces that are named as one surface.
pub(super) fn surface(pick: &Pick, nominal: &Nominal) -> Found {
    let faces = pick.faces.iter().map(|&f| &nominal.faces()[f as usize]);
    let triangles = faces.clone().flat_map(|f| f.triangles.iter().copied()).collect();
    let carrier = match pick.faces.as_slice() {
        [one] => nominal.faces()[*one as usize].carrier,
        _ => None,
    };
    Found { triangles, carrier, situation: Situation::Surface }
}

/// Two carriers are one where their numbers agree this well, mm and rad: digits of a file.
const ONE_SURFACE: f64 = 1e-4;

fn one_surface(a: &Carrier, b: &Carrier) -> bool {
    let near = |p: &Point, q: &Point| (p - q).norm() <= ONE_SURFACE;
    let along = |d: Direction, e: Direction| d.angle_to(e).min(d.reversed().angle_to(e)) <= ONE_SURFACE;
    let like = |x: f64, y: f64| (x - y).abs() <= ONE_SURFACE;
    match (a, b) {
        (Carrier::Plane { point: p, normal: d }, Carrier::Plane { point: q, normal: e }) => {
            d.angle_to(*e) <= ONE_SURFACE && (q - p).dot(&d.vector()).abs() <= ONE_SURFACE
        }
        (
            Carrier::Cylinder { point: p, axis: d, radius_mm: x, hollow: h },
            Carrier::Cylinder { point: q, axis: e, radius_mm: y, hollow: k },
        ) => {
            let between = q - p;
            let off = between - d.vector() * between.dot(&d.vector());
            h == k && along(*d, *e) && off.norm() <= ONE_SURFACE && like(*x, *y)
        }
        (
            Carrier::Cone { apex: p, axis: d, half_angle_rad: x, hollow: h },
            Carrier::Cone { apex: q, axis: e, half_angle_rad: y, hollow: k },
        ) => h == k && near(p, q) && d.angle_to(*e) <= ONE_SURFACE && like(*x, *y),
        (
            Carrier::Sphere { centre: p, radius_mm: x, hollow: h },
            Carrier::Sphere { centre: q, radius_mm: y, hollow: k },
        ) => h == k && near(p, q) && like(*x, *y),
        (
            Carrier::Torus { centre: p, axis: d, radius_mm: x, tube_radius_mm: t, hollow: h },
            Carrier::Torus { centre: q, axis: e, radius_mm: y, tube_radius_mm: u, hollow: k },
        ) => h == k && near(p, q) && along(*d, *e) && like(*x, *y) && like(*t, *u),
        _ => false,
    }
}

/// Faces with a carrier that is wanted, put together where they share an edge and lie on one surface.
fn of_one_surface(nominal: &Nominal, wanted: impl Fn(&Carrier) -> bool) -> Vec<Vec<u32>> {
    let faces = nominal.faces();
    let of = |f: u32| faces[f as usize].carrier.filter(&wanted);
    let mut taken = vec![false; faces.len()];
    let mut found = Vec::new();
    for start in 0..faces.len() as u32 {
        let Some(carrier) = of(start).filter(|_| !taken[start as usize]) else { continue };
        taken[start as usize] = true;
        let (mut together, mut open) = (Vec::new(), vec![start]);
        while let Some(face) = open.pop() {
            together.push(face);
            for &next in &faces[face as usize].neighbours {
                if !taken[next as usize] && of(next).is_some_and(|c| one_surface(&carrier, &c)) {
                    taken[next as usize] = true;
                    open.push(next);
                }
            }
        }
        found.push(together);
    }
    found
}

fn is_wanted(kind: FeatureKind, carrier: &Carrier) -> bool {
    matches!(
        (kind, carrier),
        (FeatureKind::Cone, Carrier::Cone { .. })
            | (FeatureKind::Sphere, Carrier::Sphere { .. })
            | (FeatureKind::Torus, Carrier::Torus { .. })
    )
}

/// The cone, sphere or torus that is picked or named, by the surface that the file tells; faces that share an edge and
/// the surface are one. `None` where no face of the nominal lies on such a surface.
pub(super) fn round(pick: &Pick, nominal: &Nominal) -> Option<Result<Found, String>> {
    let mut shapes: Vec<(Carrier, Vec<u32>)> = of_one_surface(nominal, |c| is_wanted(pick.kind, c))
        .into_iter()
        .filter_map(|faces| {
            let triangles = |f: &u32| nominal.faces()[*f as usize].triangles.iter().copied();
            Some((nominal.faces()[faces[0] as usize].carrier?, faces.iter().flat_map(triangles).collect()))
        })
        .collect();
    if shapes.is_empty() {
        return None;
    }
    Some(chosen(pick, nominal, &shapes).map(|i| {
        let (carrier, triangles) = shapes.swap_remove(i);
        let situation = situation(&carrier, nominal, &triangles);
        Found { triangles, carrier: Some(carrier), situation }
    }))
}

fn chosen(pick: &Pick, nominal: &Nominal, shapes: &[(Carrier, Vec<u32>)]) -> Result<usize, String> {
    if !pick.faces.is_empty() {
        return pick.named(shapes.iter().map(|(_, t)| t.as_slice()), nominal);
    }
    let mesh = nominal.mesh();
    let away = |t: &[u32]| t.iter().map(|&t| distance_to(mesh, t, &pick.near)).fold(f64::INFINITY, f64::min);
    let (best, second) = two_nearest(shapes.iter().enumerate().map(|(i, (_, t))| (i, away(t))));
    let (index, distance) = best.ok_or("the nominal has none")?;
    judge(pick.kind, distance, second, REACH_MM, "")?;
    Ok(index)
}

fn situation(carrier: &Carrier, nominal: &Nominal, triangles: &[u32]) -> Situation {
    match *carrier {
        Carrier::Cone { apex, axis, half_angle_rad, hollow } => {
            let along = |p: Point| (p - apex).dot(&axis.vector());
            let ends = triangles.iter().flat_map(|&t| nominal.mesh().corners(t)).map(along);
            let (low, high) = ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(x), h.max(x)));
            let middle = 0.5 * (low + high);
            Situation::Cone {
                at: apex + axis.vector() * middle,
                axis,
                half_angle_rad,
                radius_mm: middle * math::tan(half_angle_rad),
                hollow,
            }
        }
        Carrier::Sphere { centre, radius_mm, hollow } => {
            Situation::Sphere { at: centre, diameter_mm: 2.0 * radius_mm, hollow }
        }
        Carrier::Torus { centre, axis, radius_mm, tube_radius_mm, hollow } => {
            Situation::Torus { at: centre, axis, radius_mm, tube_radius_mm, hollow }
        }
        Carrier::Plane { .. } | Carrier::Cylinder { .. } => Situation::Surface,
    }
}
