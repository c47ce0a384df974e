//! The truth must not share the kernel's mistakes: it must not use the kernel at all.

use std::fs;
use std::path::Path;

use stackhold_tests::rust_files;

/// Words by which a source file would reach the kernel crate.
const FORBIDDEN: [&str; 3] = ["stackhold_kernel", "stackhold-kernel", "crate::table"];

fn offences(text: &str) -> Vec<&'static str> {
    FORBIDDEN.into_iter().filter(|word| text.contains(word)).collect()
}

#[test]
fn the_truth_does_not_mention_the_kernel_crate() {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("../host-harness/src");
    let mut files = rust_files(&source.join("truth"));
    // What the truth builds on is bound by the same rule.
    files.extend(["stack.rs", "record.rs", "scenario/model.rs"].map(|name| source.join(name)));
    assert!(files.len() >= 10, "the files were not found: {files:?}");
    for file in files {
        let found = offences(&fs::read_to_string(&file).unwrap());
        assert!(found.is_empty(), "{} mentions {found:?}", file.display());
    }
}

/// The check can fail, and what the truth builds on within the harness is what the check reads.
#[test]
fn the_check_notices() {
    assert_eq!(offences("use stackhold_kernel::jet::Jet;"), ["stackhold_kernel"]);
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("../host-harness/src");
    let read = ["crate::stack", "crate::record", "crate::scenario::model", "crate::truth"];
    let mut files = rust_files(&source.join("truth"));
    files.push(source.join("stack.rs"));
    for file in files {
        let text = fs::read_to_string(&file).unwrap();
        for (place, _) in text.match_indices("crate::") {
            let rest = &text[place..];
            assert!(read.iter().any(|known| rest.starts_with(known)), "{}: {:.40}", file.display(), rest);
        }
    }
}
