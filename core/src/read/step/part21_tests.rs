use super::*;
use crate::geometry::random::Random;
use crate::run::quiet;

const SMALL: &str = "ISO-10303-21;
HEADER;
FILE_DESCRIPTION(('a part'),'2;1');
FILE_SCHEMA(('CONFIG_CONTROL_DESIGN'));
ENDSEC;
DATA;
#1=CARTESIAN_POINT('',(0.,1.5,-2.E-1));
#2=(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT(.MILLI.,.METRE.));
#3=MEASURE_WITH_UNIT(LENGTH_MEASURE(25.4),#2);
#4=THING((),$,((1,2),(3,4)),\"0FF\",A(B(7)));
ENDSEC;
END-ISO-10303-21;
";

fn read(text: &str) -> Result<Exchange<'_>, Part21Error> {
    parse(text.as_bytes(), &FileLimits::default(), &quiet())
}

fn list<const N: usize>(values: [Value<'_>; N]) -> Value<'_> {
    Value::List(Box::new(values))
}

fn typed<'a>(name: &'a str, value: Value<'a>) -> Value<'a> {
    Value::Typed(Box::new((name, value)))
}

#[test]
fn a_small_file_is_read_whole() {
    let all = read(SMALL).unwrap();
    assert_eq!(all.header.iter().map(|r| r.name).collect::<Vec<_>>(), ["FILE_DESCRIPTION", "FILE_SCHEMA"]);
    assert_eq!(
        all.instances.iter().map(|i| (i.id, i.line)).collect::<Vec<_>>(),
        [(1, 7), (2, 8), (3, 9), (4, 10)]
    );
    use Value::*;
    assert_eq!(
        all.instances[0].records,
        [Record {
            name: "CARTESIAN_POINT",
            values: [Text(b""), list([Real(0.0), Real(1.5), Real(-0.2)])].into()
        }]
    );
    let complex: Vec<_> = all.instances[1].records.iter().map(|r| (r.name, r.values.len())).collect();
    assert_eq!(complex, [("LENGTH_UNIT", 0), ("NAMED_UNIT", 1), ("SI_UNIT", 2)]);
    assert_eq!(all.instances[2].records[0].values[..], [typed("LENGTH_MEASURE", Real(25.4)), Instance(2)]);
    assert_eq!(
        all.instances[3].records[0].values[..],
        [
            list([]),
            Missing,
            list([list([Integer(1), Integer(2)]), list([Integer(3), Integer(4)])]),
            Binary("0FF"),
            typed("A", typed("B", Integer(7))),
        ]
    );
}

#[test]
fn several_data_sections_are_one_file() {
    let text = SMALL
        .replace("END-ISO", "ANCHOR;\n<a>=#1;\nENDSEC;\nDATA('second',('X'));\n#9=A();\nENDSEC;\nEND-ISO");
    assert_eq!(read(&text).unwrap().instances.len(), 5);
}

#[test]
fn a_fault_is_answered_with_its_line() {
    let cases: [(&str, &str, u64); 6] = [
        ("#1=CART", "#1 CART", 7),
        ("$,((1", "$,,((1", 10),
        ("(3,4))", "(3,4)", 10),
        ("#2=(LENGTH", "#2=(3 LENGTH", 8),
        ("ENDSEC;\nEND", "END", 12),
        ("END-ISO-10303-21;\n", "", 13),
    ];
    for (old, new, line) in cases {
        match read(&SMALL.replacen(old, new, 1)) {
            Err(Part21Error::Syntax(s)) => assert!((s.line as i64 - line as i64).abs() <= 1, "{new}: {s:?}"),
            other => panic!("{new}: {other:?}"),
        }
    }
    assert_eq!(read(&SMALL.replace("#3=", "#2=")).unwrap_err(), Part21Error::Twice { id: 2, line: 9 });
    assert_eq!(read("solid part\n").unwrap_err(), Part21Error::NotStep);
    assert_eq!(read("").unwrap_err(), Part21Error::NotStep);
}

#[test]
fn limits_on_depth_and_counts_hold() {
    let deep =
        SMALL.replace("#4=THING(()", &format!("#4=THING({}{}", "(".repeat(100_000), ")".repeat(100_000)));
    assert!(matches!(read(&deep), Err(Part21Error::TooMany { what: "lists within lists", line: 10, .. })));
    let few = FileLimits { instances: 3, ..FileLimits::default() };
    let fault = parse(SMALL.as_bytes(), &few, &quiet()).unwrap_err();
    assert_eq!(fault, Part21Error::TooMany { what: "instances", limit: 3, line: 10 });
    let few = FileLimits { bytes: 900, ..FileLimits::default() };
    let fault = parse(SMALL.as_bytes(), &few, &quiet()).unwrap_err();
    assert!(
        matches!(fault, Part21Error::TooMany { what: "bytes of instances", limit: 900, .. }),
        "{fault:?}"
    );
    let enough = FileLimits { bytes: 9000, ..FileLimits::default() };
    assert!(parse(SMALL.as_bytes(), &enough, &quiet()).is_ok());
}

#[test]
fn a_thousand_damaged_files_are_answered() {
    let mut random = Random::seeded(21);
    let (mut read_well, mut refused) = (0, 0);
    for _ in 0..1000 {
        let mut bytes = SMALL.as_bytes().to_vec();
        for _ in 0..1 + random.below(4) {
            let at = random.below(bytes.len());
            match random.below(4) {
                0 => bytes[at] = (random.next_u64() & 0xff) as u8,
                1 => bytes.truncate(at + 1),
                2 => drop(bytes.remove(at)),
                _ => bytes.insert(at, b"()',;#=$*.\"\\/"[random.below(13)]),
            }
            if bytes.is_empty() {
                bytes.push(b'I');
            }
        }
        match parse(&bytes, &FileLimits::default(), &quiet()) {
            Ok(_) => read_well += 1,
            Err(_) => refused += 1,
        }
    }
    // Damage within a text or a number is still a file; most of the rest is not.
    assert!(read_well > 20 && refused > 500, "{read_well} {refused}");
}
