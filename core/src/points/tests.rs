//! Tables of measured points: good ones in every dress, and every fault with its line.

use super::*;
use crate::run::quiet;

fn points(text: &str) -> Result<Vec<TakenPoint>, PointsError> {
    read(text.as_bytes(), LengthUnit::Millimetre, Some(0.01), &quiet())
}

fn faults(text: &str) -> Vec<String> {
    match points(text) {
        Err(PointsError::Faults(faults)) => faults.iter().map(ToString::to_string).collect(),
        other => panic!("{other:?}"),
    }
}

#[test]
fn delimiters_decimal_commas_marks_and_comments_make_no_difference() {
    let plain = points("name,x,y,z\nP1,1.5,-2,3e1\n").unwrap();
    assert_eq!(plain[0].point, Point::new(1.5, -2.0, 30.0));
    assert_eq!((plain[0].line, plain[0].role, plain[0].standard_mm), (2, Role::Surface, Some(0.01)));
    for same in [
        "name;x;y;z\nP1;1,5;-2;30\n",
        "name\tx\ty\tz\r\nP1\t1.5\t-2\t30\r\n",
        "\u{feff}Name, X, Y, Z\n\"P1\" , 1.5 , -2 , 30\n",
        "name,z,x,y\n# by arm 2\nP1,30,1.5,-2\n",
        "# arm 2, aligned, twice\n\nname;x;y;z\nP1;1,5;-2;30\n",
    ] {
        let found = points(same).unwrap();
        assert_eq!((found.len(), found[0].point), (1, plain[0].point), "{same}");
    }
}

#[test]
fn lengths_are_told_in_the_unit_stated() {
    let text = "name,role,x,y,z,diameter,u\nH1,centre,1,2,3,0.5,0.001\n";
    let p = &read(text.as_bytes(), LengthUnit::Inch, None, &quiet()).unwrap()[0];
    assert!((p.point - Point::new(25.4, 50.8, 76.2)).norm() < 1e-12);
    assert_eq!((p.diameter_mm, p.standard_mm), (Some(12.7), Some(0.0254)));
}

#[test]
fn every_fault_is_told_with_its_line() {
    assert!(faults("name,x,y\nP,1,2\n")[0].contains("x, y, z stand together"));
    assert!(faults("name,x,y,z,diametr\nP,1,2,3,4\n")[0].contains("\"diametr\" is not known"));
    assert!(faults("x,y,z\n1,2,3\n")[0].contains("column name is missing"));
    assert!(faults("name,x,y,z,x\nP,1,2,3,4\n")[0].contains("stands twice"));
    let found = faults(
        "name,x,y,z,role,nx,ny,nz,diameter,u\nP,nan,2,3,,,,,,\n,1,2,3,,,,,,\nP,1,2,3,middle,,,,,\nP,1,2,3,,0,0,0,,\n\
         P,1,2,3,surface,,,,5,\nP,1,2,3,,,,,,-1\nP,1,2\nP,1e9,2,3,,,,,,\n",
    );
    for (line, word) in [
        (2, "not three numbers"),
        (3, "has no name"),
        (4, "surface or centre"),
        (5, "no length"),
        (6, "a diameter stands beside"),
        (7, "u is \"-1\""),
        (8, "columns"),
        (9, "from the origin"),
    ] {
        let at = format!("line {line}: ");
        assert!(found.iter().any(|f| f.starts_with(&at) && f.contains(word)), "{line} {word}: {found:#?}");
    }
    assert!(faults("name,x,y,z\n")[0].contains("no points"));
    assert!(!faults("").is_empty());
    assert!(!faults("\u{0}\u{1}\u{2}").is_empty());
}

#[test]
fn faults_end_at_their_limit_and_points_at_theirs() {
    let many = "name,x,y,z\n".to_owned() + &"P,a,b,c\n".repeat(1000);
    assert!(faults(&many).len() <= MOST_FAULTS + 1);
    let mut run = quiet();
    run.limits.points = 2;
    let three = "name,x,y,z\n".to_owned() + &"P,1,2,3\n".repeat(3);
    let found = read(three.as_bytes(), LengthUnit::Millimetre, None, &run);
    assert_eq!(found, Err(PointsError::TooMany { limit: 2 }));
}

#[test]
fn long_names_and_long_files_are_refused() {
    let long = format!("name,x,y,z\n{},1,2,3\n", "P".repeat(LONGEST_NAME + 1));
    assert!(faults(&long)[0].contains("a name of 129 bytes"), "{:?}", faults(&long));
    let kept = format!("name,x,y,z\n{},1,2,3\n", "P".repeat(LONGEST_NAME));
    assert_eq!(points(&kept).unwrap().len(), 1);
    let rows = "name,x,y,z\n".to_owned() + &"P,1,2,3\n".repeat(MOST_POINTS as usize + 1);
    assert_eq!(points(&rows), Err(PointsError::TooMany { limit: MOST_POINTS }));
    let longer = vec![b'#'; LONGEST_FILE as usize + 1];
    let found = read(&longer, LengthUnit::Millimetre, None, &quiet());
    assert_eq!(found, Err(PointsError::TooLong { bytes: LONGEST_FILE + 1 }));
    // What is foretold is never less than what the rows and their file take.
    assert!(cost(rows.len() as u64) >= rows.len() as u64 + MOST_POINTS * size_of::<TakenPoint>() as u64);
    assert!(cost(u64::MAX) < 2 << 30);
}

#[test]
fn other_encodings_and_line_ends_are_told_or_read() {
    let wide: Vec<u8> = "name,x,y,z\nP,1,2,3\n".encode_utf16().flat_map(u16::to_le_bytes).collect();
    let found = read(&wide, LengthUnit::Millimetre, None, &quiet()).unwrap_err().to_string();
    assert!(found.contains("UTF-16"), "{found}");
    assert_eq!(points("name;x;y;z\rP;1,5;2;3\r").unwrap()[0].point, Point::new(1.5, 2.0, 3.0));
}
