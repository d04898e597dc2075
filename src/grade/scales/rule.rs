//! From what each sign can still be to what the result can still be.
//!
//! A sign is a set of scores that are still possible: one score where it is known, all of them
//! where it is missing. The result is the set of results over every way in which the missing could
//! turn out. Nothing is imputed, and no way is left out.

use std::collections::BTreeSet;

use super::model::{Count, Derived, Scale, Sum};

/// The totals that are still possible.
#[derive(Debug, Clone, PartialEq)]
pub struct Totals {
    /// Every total that can be reached, ascending; never empty.
    pub possible: Vec<i32>,
    /// For each group of the scale, the smallest and largest part sum.
    pub groups: Vec<(i32, i32)>,
    /// Indexes of the bands that the totals can lie in, ascending.
    pub bands: Vec<usize>,
    /// Whether a total may lie in no band.
    pub beyond_bands: bool,
    /// What the totals stand for.
    pub derived: Option<Span>,
}

/// What a stretch of totals stands for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    /// Smallest value that stands in the table; absent when no possible total does.
    pub low: Option<f64>,
    /// Largest.
    pub high: Option<f64>,
    /// Whether a possible total lies below the table.
    pub below_table: bool,
    /// Whether a possible total lies above the table.
    pub above_table: bool,
}

/// The levels that are still possible.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Levels {
    /// Results still possible, ascending: 0 is "criteria not met", others are levels.
    pub possible: Vec<usize>,
    /// Fewest and most categories that show a sign.
    pub positive: (usize, usize),
    /// For each group of the scale, the levels still possible, ascending.
    pub groups: Vec<Vec<usize>>,
    /// Whether the published rule leaves a tie open: the category that decides shows neither of the
    /// levels that are tied.
    pub tie_open: bool,
}

/// The value a total stands for; `None` off the table.
pub fn value(d: &Derived, total: i32) -> Option<f64> {
    let k = d.table.iter().rposition(|r| r.0 <= total)?;
    let (t0, v0) = d.table[k];
    if t0 == total {
        return Some(v0);
    }
    let &(t1, v1) = d.table.get(k + 1)?;
    Some(v0 + (v1 - v0) * f64::from(total - t0) / f64::from(t1 - t0))
}

/// Adds the scores. `possible` holds, for each sign of the scale, its possible scores; `given` is
/// a total entered as such, which then counts alone.
///
/// # Errors
/// Says so when the total entered cannot come from the scores.
pub fn sum(
    scale: &Scale,
    rule: &Sum,
    possible: &[Vec<i32>],
    given: Option<i32>,
) -> Result<Totals, String> {
    let mut totals: BTreeSet<i32> = BTreeSet::from([0]);
    for scores in possible {
        totals = totals.iter().flat_map(|t| scores.iter().map(move |s| t + s)).collect();
    }
    if let Some(total) = given {
        if !totals.contains(&total) {
            let (low, high) = ends(&totals);
            return Err(format!(
                "the total {total} was entered, and the scores come to {}",
                if low == high { low.to_string() } else { format!("{low} to {high}") }
            ));
        }
        totals = BTreeSet::from([total]);
    }
    let groups = (0..scale.groups.len())
        .map(|g| {
            let of = || scale.signs.iter().zip(possible).filter(move |(s, _)| s.group == Some(g));
            let low = of().filter_map(|(_, p)| p.iter().min()).sum();
            (low, of().filter_map(|(_, p)| p.iter().max()).sum())
        })
        .collect();
    let bands: Vec<usize> = (0..rule.bands.len())
        .filter(|&b| totals.range(rule.bands[b].from..=rule.bands[b].to).next().is_some())
        .collect();
    let in_band = |t: &i32| rule.bands.iter().any(|b| b.from <= *t && *t <= b.to);
    Ok(Totals {
        beyond_bands: !totals.iter().all(in_band),
        derived: rule.derived.as_ref().map(|d| span(d, &totals)),
        groups,
        bands,
        possible: totals.into_iter().collect(),
    })
}

fn ends(totals: &BTreeSet<i32>) -> (i32, i32) {
    (totals.first().copied().unwrap_or(0), totals.last().copied().unwrap_or(0))
}

fn span(d: &Derived, totals: &BTreeSet<i32>) -> Span {
    let values: Vec<f64> = totals.iter().filter_map(|&t| value(d, t)).collect();
    let (low, high) = ends(totals);
    Span {
        low: values.iter().copied().reduce(f64::min),
        high: values.iter().copied().reduce(f64::max),
        below_table: d.table.first().is_some_and(|r| low < r.0),
        above_table: d.table.last().is_some_and(|r| high > r.0),
    }
}

/// Counts the categories. `possible` holds, for each sign of the scale, its possible scores.
pub fn count(scale: &Scale, rule: &Count, possible: &[Vec<i32>]) -> Levels {
    let groups: Vec<Vec<usize>> =
        (0..scale.groups.len()).map(|g| level_of(scale, g, possible)).collect();
    // Ways differ only in how many categories have each level, and in the level of the category
    // that decides a tie: far fewer than there are completions, and every one of them is met.
    let mut ways: BTreeSet<(Vec<usize>, usize)> = BTreeSet::from([(vec![0; rule.levels.len()], 0)]);
    for (g, levels) in groups.iter().enumerate() {
        ways = ways
            .iter()
            .flat_map(|(counts, tie)| {
                levels.iter().map(move |&l| {
                    let mut counts = counts.clone();
                    counts[l] += 1;
                    (counts, if rule.tie == Some(g) { l } else { *tie })
                })
            })
            .collect();
    }
    let mut out = BTreeSet::new();
    let mut tie_open = false;
    for (counts, tie) in &ways {
        let (results, open) = by_count(rule, counts, *tie);
        tie_open |= open;
        match rule.alone {
            None => out.extend(results),
            Some((sign, from, gives)) => {
                for &score in &possible[sign] {
                    let least = if score >= from { gives } else { 0 };
                    out.extend(results.iter().map(|&r| r.max(least)));
                }
            }
        }
    }
    let positive = |pick: fn(&[usize]) -> Option<usize>| {
        groups.iter().filter(|l| pick(l).is_some_and(|l| l > 0)).count()
    };
    Levels {
        possible: out.into_iter().collect(),
        positive: (positive(|l| l.first().copied()), positive(|l| l.last().copied())),
        groups,
        tie_open,
    }
}

/// The levels a category can have: the highest of its signs.
fn level_of(scale: &Scale, group: usize, possible: &[Vec<i32>]) -> Vec<usize> {
    let mut out: BTreeSet<usize> = BTreeSet::from([0]);
    for (_, scores) in scale.signs.iter().zip(possible).filter(|(s, _)| s.group == Some(group)) {
        let levels = || scores.iter().filter_map(|&s| usize::try_from(s).ok());
        out = out.iter().flat_map(|&l| levels().map(move |s| l.max(s))).collect();
    }
    out.into_iter().collect()
}

/// The result of one way: what the categories come to, and whether the rule leaves a tie open.
fn by_count(rule: &Count, counts: &[usize], tie: usize) -> (Vec<usize>, bool) {
    let signs: usize = counts.iter().skip(1).sum();
    if signs < rule.needed {
        return (vec![0], false);
    }
    let most = counts.iter().skip(1).copied().max().unwrap_or(0);
    let tied: Vec<usize> = (1..counts.len()).filter(|&l| counts[l] == most).collect();
    match tied.as_slice() {
        [one] => (vec![*one], false),
        _ if tied.contains(&tie) => (vec![tie], false),
        _ => (tied, true),
    }
}
