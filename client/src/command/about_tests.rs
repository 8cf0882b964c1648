//! The template says all there is, and says it right.

use super::*;
#[cfg(feature = "embedded")]
use scantling_core::plan::check_toml;

#[cfg(feature = "embedded")]
#[test]
fn the_template_checks_without_faults_and_so_does_each_alternative_in_it() {
    let checked = |text: &str| match check_toml(text) {
        Ok(_) => {}
        Err(faults) => panic!("{faults:#?}"),
    };
    checked(TEMPLATE);
    let alternatives: Vec<&str> = TEMPLATE
        .lines()
        .filter_map(|line| line.strip_prefix("# "))
        .filter(|l| l.starts_with("decision = "))
        .collect();
    assert_eq!(alternatives.len(), 3);
    for decision in alternatives {
        checked(&TEMPLATE.replacen("\ndecision = { proven = {} }\n", &format!("\n{decision}\n"), 1));
    }
    let open = "behind_normal";
    checked(&TEMPLATE.replacen(&format!("\"{open}\" "), "\"in_front_of_normal\" ", 1));
    checked(&TEMPLATE.replacen("on = \"surface\"", "on = \"trim_edge\"", 1));
}

/// Every field of a message and of what it holds, and every word of its enumerations as files write them.
fn words(message: &prost_reflect::MessageDescriptor, fields: &mut Vec<String>, values: &mut Vec<String>) {
    for field in message.fields() {
        if fields.contains(&format!("{}.{}", message.name(), field.name())) {
            continue;
        }
        fields.push(format!("{}.{}", message.name(), field.name()));
        match field.kind() {
            prost_reflect::Kind::Message(inner) => words(&inner, fields, values),
            prost_reflect::Kind::Enum(inner) => {
                let zero = inner.get_value(0).map(|v| v.name().to_owned()).unwrap_or_default();
                let prefix = zero.trim_end_matches("UNSPECIFIED").to_owned();
                values.extend(
                    inner
                        .values()
                        .filter(|v| v.number() != 0)
                        .map(|v| v.name().replace(&prefix, "").to_lowercase()),
                );
            }
            _ => {}
        }
    }
}

#[test]
fn every_key_of_the_schema_and_every_value_stands_in_the_template() {
    let pool = prost_reflect::DescriptorPool::decode(scantling_proto::DESCRIPTOR).expect("the contract");
    let plan = pool.get_message_by_name("scantling.v1.Plan").expect("the plan's message");
    let (mut fields, mut values) = (Vec::new(), Vec::new());
    words(&plan, &mut fields, &mut values);
    assert!(fields.len() > 70 && values.len() > 15, "{} {}", fields.len(), values.len());
    for field in &fields {
        let key = field.rsplit('.').next().expect("a name");
        let is_key = |line: &str| {
            let code = line.split(" # ").next().unwrap_or("");
            [format!("{key} = "), format!("{key}]]"), format!("[{key}]")].iter().any(|form| {
                code.match_indices(form.as_str())
                    .any(|(at, _)| !code[..at].ends_with(|c: char| c.is_ascii_alphanumeric() || c == '_'))
            })
        };
        assert!(TEMPLATE.lines().any(is_key), "{field} does not stand in the template");
    }
    for value in &values {
        assert!(TEMPLATE.contains(&format!("\"{value}\"")), "\"{value}\" does not stand in the template");
    }
}

#[test]
fn completions_and_manual_pages_know_every_command() {
    let mut page = Vec::new();
    clap_mangen::Man::new(Arguments::command()).render(&mut page).expect("a page");
    let page = String::from_utf8(page).expect("text");
    let mut script = Vec::new();
    clap_complete::generate(clap_complete::Shell::Bash, &mut Arguments::command(), "scantling", &mut script);
    let script = String::from_utf8(script).expect("text");
    for command in Arguments::command().get_subcommands() {
        let name = command.get_name();
        // A hyphen is written out there.
        let escaped = name.replace('-', "\\-");
        assert!(page.contains(&format!("scantling\\-{escaped}(1)")), "{name} is not in:\n{page}");
        assert!(script.contains(&format!("scantling,{name})")), "{name}");
    }
    let folder = tempfile::tempdir().expect("a temporary folder");
    let to = folder.path().join("man1");
    man(&Man { to: Some(to.clone()) }).expect("written");
    assert!(to.join("scantling.1").exists() && to.join("scantling-plan-template.1").exists());
}
