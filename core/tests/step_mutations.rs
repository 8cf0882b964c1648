//! A thousand damaged STEP files for each sample: no panic, no hang, no more memory than a limit, and what is
//! read keeps its promises. `STEP_FILES=FOLDER cargo test --release -p scantling-core --test step_mutations
//! -- --nocapture` damages the files of a folder too, a thousand times each (some ten minutes for ten files
//! of 1 MB).
//!
//! One test alone in this file: it counts what the whole process allocates.

#![allow(clippy::unwrap_used, reason = "a sample that cannot be made fails the test")]

mod step_text;

use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use peak_alloc::PeakAlloc;
use scantling_core::geometry::random::Random;
use scantling_core::nominal::{self, NominalFile, Side};
use scantling_core::read::step::{StepError, StepSettings, read};
use scantling_core::run::{Run, quiet};

#[global_allocator]
static MEMORY: PeakAlloc = PeakAlloc;

const MUTATIONS: usize = 1000;

/// Most that one file may take, bytes.
const ALLOWED: usize = 1 << 30;

/// Words that change the sense of a file.
const WORDS: [&str; 16] = [
    "#1",
    "$",
    "*",
    "()",
    "(",
    ")",
    ",",
    ";",
    "'",
    "1.E9",
    "-1.",
    "0.",
    "1.E-9",
    ".T.",
    ".F.",
    "99999999999999999999",
];

fn damage(whole: &[u8], random: &mut Random) -> Vec<u8> {
    let mut bytes = whole.to_vec();
    for _ in 0..=random.below(4) {
        if bytes.is_empty() {
            break;
        }
        let at = random.below(bytes.len());
        let end = (at + 1 + random.below(40)).min(bytes.len());
        match random.below(10) {
            0 => bytes.truncate(at),
            1 => bytes[at] = random.next_u64() as u8,
            2 => drop(bytes.drain(at..end)),
            3 => drop(bytes.splice(at..at, WORDS[random.below(WORDS.len())].bytes())),
            4 => {
                let span = bytes[at..end].to_vec();
                let to = random.below(bytes.len());
                drop(bytes.splice(to..to, span));
            }
            // A number or reference becomes another: the file stays one.
            _ => {
                if let Some(n) = bytes[at..].iter().position(u8::is_ascii_digit) {
                    bytes[at + n] = b"0123456789"[random.below(10)];
                }
            }
        }
    }
    bytes
}

/// Whether the file was read.
fn try_one(bytes: &[u8], run: &Run) -> bool {
    let file = match read(run, bytes, &StepSettings::default()) {
        Ok(file) => file,
        Err(error) => {
            assert!(!matches!(error, StepError::Stopped(_)), "it took minutes");
            assert!(!error.to_string().is_empty());
            return false;
        }
    };
    for part in &file.parts {
        assert!(part.vertices.iter().all(|p| p.iter().all(|c| c.is_finite())));
        let count = part.vertices.len() as u32;
        assert!(part.triangles.iter().flatten().all(|v| *v < count));
        for face in &part.faces {
            match &face.triangles {
                Ok(range) => assert!(range.end <= part.triangles.len()),
                Err(fault) => assert!(!fault.to_string().is_empty()),
            }
        }
        for line in &part.edge_lines {
            assert!(line.vertices.iter().all(|v| *v < count));
            assert!(line.sides.iter().all(|s| s.normals.len() == line.vertices.len()));
        }
    }
    assert!(file.placed.iter().all(|p| p.part < file.parts.len() && p.shift.iter().all(|c| c.is_finite())));
    drop(file);
    // As a nominal, by the way that every inspection takes.
    let told = NominalFile { side: Some(Side::BehindNormal), ..NominalFile::default() };
    match nominal::read(bytes, &told, run) {
        Ok(nominal) => {
            assert!(nominal.mesh().vertices().iter().all(|p| p.iter().all(|c| c.is_finite())));
            assert!(nominal.faces().iter().all(|f| !f.triangles.is_empty() && f.area_mm2.is_finite()));
        }
        Err(error) => {
            assert!(!error.is_stopped(), "it took minutes");
            assert!(!error.to_string().is_empty());
        }
    }
    true
}

/// Files of a few MB that ask for far more than they hold: what each is, and by what word it is refused.
fn greedy() -> Vec<(&'static str, String, &'static str)> {
    let whole = |data: &str| format!("ISO-10303-21;HEADER;ENDSEC;DATA;{data}ENDSEC;END-ISO-10303-21;");
    let part = |data: String, item: u64| {
        whole(&format!(
            "{data}#1=(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT(.MILLI.,.METRE.));\
             #2=(GEOMETRIC_REPRESENTATION_CONTEXT(3)GLOBAL_UNIT_ASSIGNED_CONTEXT((#1))REPRESENTATION_CONTEXT('',''));\
             #3=SHAPE_REPRESENTATION('',(#{item}),#2);"
        ))
    };
    let list = |ids: std::ops::Range<u64>| ids.map(|id| format!("#{id}")).collect::<Vec<_>>().join(",");
    // One face of 100,000 triangles named 9,000 times; places beside it, so that the file names nothing too often.
    let mut data = (100..800).map(|id| format!("#{id}=CARTESIAN_POINT('',(0.,0.,0.));")).collect::<String>();
    data += "#10=COORDINATES_LIST('',3,((0.,0.,0.),(1.,0.,0.),(0.,1.,0.)));";
    data += &format!("#11=TRIANGULATED_FACE('',#10,3,(),$,(),({}));", vec!["(1,2,3)"; 100_000].join(","));
    data += &format!("#12=TESSELLATED_SOLID('',({}),$);", vec!["#11"; 9000].join(","));
    let triangles = part(data, 12);
    // 400 edges, and 400 turned surfaces, on one curve of 300,000 points.
    let mut points = String::new();
    for i in 0..300_000_u64 {
        points += &format!("#{}=CARTESIAN_POINT('',({}.,{}.,1.));", 10_000 + i, i % 1000, i / 1000);
    }
    points += &format!("#10=POLYLINE('',({}));", list(10_000..310_000));
    points += "#11=VERTEX_POINT('',#10000);#12=VERTEX_POINT('',#309999);#13=CARTESIAN_POINT('',(0.,0.,0.));\
               #14=DIRECTION('',(0.,0.,1.));#15=AXIS1_PLACEMENT('',#13,#14);#16=AXIS2_PLACEMENT_3D('',#13,$,$);#17=PLANE('',#16);";
    let mut edges = points.clone();
    for i in 0..400 {
        edges += &format!("#{}=EDGE_CURVE('',#11,#12,#{},.T.);", 1000 + i, 2000 + i);
        edges += &format!("#{}=SURFACE_CURVE('',#10,(),.CURVE_3D.);", 2000 + i);
        edges += &format!("#{}=ORIENTED_EDGE('',*,*,#{},.T.);", 3000 + i, 1000 + i);
    }
    edges += &format!(
        "#20=EDGE_LOOP('',({}));#21=FACE_BOUND('',#20,.T.);#22=ADVANCED_FACE('',(#21),#17,.T.);",
        list(3000..3400)
    );
    edges += "#23=OPEN_SHELL('',(#22));#24=SHELL_BASED_SURFACE_MODEL('',(#23));";
    let mut turned = points;
    for i in 0..400 {
        turned += &format!("#{}=SURFACE_OF_REVOLUTION('',#10,#15);", 1000 + i);
        turned += &format!("#{}=ADVANCED_FACE('',(),#{},.T.);", 2000 + i, 1000 + i);
    }
    turned += &format!("#23=OPEN_SHELL('',({}));#24=SHELL_BASED_SURFACE_MODEL('',(#23));", list(2000..2400));
    vec![
        ("one triangulated face many times", triangles, "triangles"),
        ("many edges on one long curve", part(edges, 24), "control points"),
        ("many surfaces of one long curve", part(turned, 24), "control points"),
        (
            "many short lists",
            whole(&format!("#1=A({});", vec!["(1)"; 15_000_000].join(","))),
            "bytes of instances",
        ),
        (
            "many short instances",
            whole(&(1..7_000_000).map(|i| format!("#{i}=A();")).collect::<String>()),
            "bytes of instances",
        ),
    ]
}

#[test]
fn no_damaged_file_makes_the_reader_panic_hang_or_take_too_much_memory() {
    // A reader that hangs is stopped, and then the test fails; nothing is measured by this time.
    static STOP: AtomicBool = AtomicBool::new(false);
    std::thread::spawn(|| {
        std::thread::sleep(Duration::from_secs(3 * 3600));
        STOP.store(true, Ordering::Relaxed);
    });
    let run = Run { stop: &STOP, ..quiet() };
    for (name, text, word) in greedy() {
        MEMORY.reset_peak_usage();
        let (before, start) = (MEMORY.current_usage(), Instant::now());
        let error = read(&run, text.as_bytes(), &StepSettings::default()).map(drop).unwrap_err().to_string();
        let used = MEMORY.peak_usage().saturating_sub(before);
        println!("{name}: {} bytes take {used} and {:.1?}: {error}", text.len(), start.elapsed());
        assert!(error.contains(word), "{name}: {error}");
        assert!(used <= ALLOWED, "{name}: {used} bytes");
    }
    let mut samples: Vec<(String, Vec<u8>)> =
        step_text::samples().into_iter().map(|(name, text)| (name, text.into_bytes())).collect();
    if let Some(folder) = std::env::var_os("STEP_FILES") {
        let mut files: Vec<_> = std::fs::read_dir(folder).unwrap().map(|f| f.unwrap().path()).collect();
        files.sort();
        samples.extend(files.iter().map(|f| (f.display().to_string(), std::fs::read(f).unwrap())));
    }
    for (name, whole) in &samples {
        assert!(try_one(whole, &run), "{name}");
        let (mut good, mut most, mut longest) = (0, 0, Duration::ZERO);
        for seed in 0..MUTATIONS {
            let bytes = damage(whole, &mut Random::seeded(seed as u64));
            MEMORY.reset_peak_usage();
            let (before, start) = (MEMORY.current_usage(), Instant::now());
            good += usize::from(try_one(&bytes, &run));
            longest = longest.max(start.elapsed());
            let used = MEMORY.peak_usage().saturating_sub(before);
            assert!(used <= ALLOWED, "{name}, seed {seed}: {used} bytes");
            most = most.max(used);
        }
        println!("{name}: {good} of {MUTATIONS} were read, {most} bytes and {longest:.1?} at most");
        assert!(good > 0 && good < MUTATIONS, "{name}: {good} of {MUTATIONS}");
    }
}
