//! The bar for finding a part, a stretch of it: `locate_poses PART FIRST LAST [CAPTURES [SPACING]]`, with
//! part of a name (`all` for every part), the numbers of the poses and, for another number of points, their
//! distance in mm.

use scantling_tests::bar::{Answer, parts, symmetric_parts, try_poses};

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let number = |at: usize, or: u64| arguments.get(at).and_then(|a| a.parse().ok()).unwrap_or(or);
    let name = arguments.first().map_or("all", String::as_str);
    let spacing_mm: Option<f64> = arguments.get(4).and_then(|a| a.parse().ok());
    for mut part in parts().into_iter().chain(symmetric_parts()) {
        if name != "all" && !part.name.contains(name) {
            continue;
        }
        part.spacing_mm = spacing_mm.unwrap_or(part.spacing_mm);
        let tally = try_poses(&part, number(3, 6), number(1, 0)..number(2, 6), |p| {
            if !matches!(p.answer, Answer::Right(_)) {
                println!("  {} {}: {:?}, {:.2} s", part.name, p.number, p.answer, p.cpu_s);
            }
        });
        println!("{}", tally.line(part.name));
    }
}
