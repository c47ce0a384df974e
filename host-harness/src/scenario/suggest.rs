//! "Did you mean": the nearest known word to a mistyped one.

/// Letters to insert, delete, exchange or swap (neighbours) to get from `a` to `b`: the optimal
/// string alignment distance.
fn distance(a: &str, b: &str) -> usize {
    let a: Vec<char> = a.chars().collect();
    let b: Vec<char> = b.chars().collect();
    let mut rows = vec![vec![0usize; b.len() + 1]; a.len() + 1];
    for (i, row) in rows.iter_mut().enumerate() {
        row[0] = i;
    }
    for (j, cell) in rows[0].iter_mut().enumerate() {
        *cell = j;
    }
    for i in 1..=a.len() {
        for j in 1..=b.len() {
            let exchange = rows[i - 1][j - 1] + usize::from(a[i - 1] != b[j - 1]);
            let mut best = exchange.min(rows[i - 1][j] + 1).min(rows[i][j - 1] + 1);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                best = best.min(rows[i - 2][j - 2] + 1);
            }
            rows[i][j] = best;
        }
    }
    rows[a.len()][b.len()]
}

/// The known word nearest to `word`, if it is near enough to be meant.
///
/// Near enough: at most two letters in five differ, or one is the other without its unit
/// (`thrust` or `thrust_lbf` for `thrust_n`).
pub(super) fn nearest<'w>(word: &str, known: impl IntoIterator<Item = &'w str>) -> Option<&'w str> {
    let word = word.to_lowercase();
    known
        .into_iter()
        .filter_map(|candidate| {
            let apart = distance(&word, candidate);
            let near = apart * 5 <= 2 * word.chars().count().max(candidate.chars().count());
            let score =
                if near { Some(apart) } else { same_but_unit(&word, candidate).then_some(apart + 100) };
            score.map(|score| (score, candidate))
        })
        .min_by_key(|(score, _)| *score)
        .map(|(_, candidate)| candidate)
}

/// Whether two keys are the same up to their last words, which carry the unit.
fn same_but_unit(word: &str, candidate: &str) -> bool {
    let shared = word.split('_').zip(candidate.split('_')).take_while(|(a, b)| a == b).count();
    shared > 0 && (shared == word.split('_').count() || shared + 2 >= candidate.split('_').count())
}

/// Names in a row for a sentence: `"a", "b" and "c"`; `nothing` for none.
pub(super) fn listed<'w>(names: impl IntoIterator<Item = &'w str>) -> String {
    let quoted: Vec<String> = names.into_iter().map(|name| format!("\"{name}\"")).collect();
    match quoted.split_last() {
        None => "nothing".to_owned(),
        Some((last, [])) => last.clone(),
        Some((last, rest)) => format!("{} and {last}", rest.join(", ")),
    }
}
