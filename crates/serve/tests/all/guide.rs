//! The guide's chapter against the verbs.

use crate::Client;
use payrig_serve::stdio::read_line;
use payrig_serve::verbs::{Method, VERBS};
use serde_json::{Value, json};

const GUIDE: &str = include_str!("../../../../docs/src/serve.md");

/// The blocks of JSON that stand below a comment which says what they are.
fn examples() -> Vec<(&'static str, &'static str)> {
    let mut examples = Vec::new();
    let mut rest = GUIDE;
    while let Some((_, after)) = rest.split_once("<!-- ") {
        let (what, after) = after.split_once(" -->\n```json\n").unwrap();
        let (block, after) = after.split_once("\n```\n").unwrap();
        examples.push((what, block));
        rest = after;
    }
    examples
}

#[tokio::test]
async fn every_example_of_the_guide_works() {
    let client = Client::ready().await;
    let mut done = 0;
    for (what, block) in examples() {
        let asked: Vec<(String, Value)> = match what.strip_prefix("verb: ") {
            Some(verb) => vec![(verb.to_owned(), serde_json::from_str(block).unwrap())],
            None => {
                assert_eq!(what, "lines");
                let lines = block
                    .lines()
                    .map(|line| read_line(line.as_bytes()).unwrap());
                lines
                    .map(|asked| (asked.verb, Value::Object(asked.params)))
                    .collect()
            }
        };
        for (verb, mut fields) in asked {
            if verb != "open" {
                fields["bench"] = json!("a");
            }
            let answer = client.get(&verb, fields.clone()).await;
            // The last note on the display, or a credit, may be another by then.
            if verb == "wait" {
                assert!(answer["evidence"].is_array(), "{fields}");
                let certain = ["rest", "for", "ready", "event"]
                    .iter()
                    .any(|f| !fields[f].is_null());
                assert!(!certain || answer["met"] == true, "{fields}: {answer}");
            }
            done += 1;
        }
    }
    assert!(done > 10, "{done}");
}

#[test]
fn the_guide_names_every_verb_with_its_path() {
    for verb in VERBS.iter() {
        let method = match verb.method {
            Method::Get => "GET",
            Method::Post => "POST",
            Method::Delete => "DELETE",
        };
        let row = format!("| `{}` | `{method} {}` |", verb.name, verb.path);
        assert!(GUIDE.contains(&row), "{row}");
    }
}
