//! Events of one kind on one set of tracks closer than 250 ms are one finding; `evidence.events` counts them.

use serde_json::Value;

use crate::detect::Finding;

/// Events closer than this are one finding (contract).
const APART_S: f64 = 0.25;
/// Below this confidence nothing is reported (contract).
const LEAST_CONFIDENCE: f64 = 0.35;

/// How many events a finding stands for.
pub fn events(finding: &Finding) -> u64 {
    finding
        .evidence
        .get("events")
        .and_then(Value::as_u64)
        .unwrap_or(1)
        .max(1)
}

/// Drop what is too unsure, join what belongs together. Order of the result: start, track, kind.
pub fn merge(mut findings: Vec<Finding>, rate: u32, samples: u64) -> Vec<Finding> {
    findings.retain(|f| f.confidence >= LEAST_CONFIDENCE);
    for f in &mut findings {
        f.end = f.end.min(samples).max(f.start.min(samples));
        f.start = f.start.min(f.end);
    }
    findings.sort_by(|a, b| {
        (a.kind, &a.tracks, a.start, a.end).cmp(&(b.kind, &b.tracks, b.start, b.end))
    });
    let apart = crate::units::samples(APART_S, rate);
    let mut out: Vec<Finding> = Vec::new();
    for f in findings {
        match out.last_mut() {
            Some(last) if joins(last, &f, apart) => absorb(last, f),
            _ => out.push(f),
        }
    }
    sort(&mut out);
    out
}

/// The report's order: start, then track, then kind.
pub fn sort(findings: &mut [Finding]) {
    findings.sort_by(|a, b| {
        (a.start, &a.tracks, a.kind, a.end).cmp(&(b.start, &b.tracks, b.kind, b.end))
    });
}

/// Findings without tracks (labels, files) say different things even where they share a kind.
fn joins(a: &Finding, b: &Finding, apart: u64) -> bool {
    a.kind == b.kind
        && a.tracks == b.tracks
        && !a.tracks.is_empty()
        && a.evidence.get("code") == b.evidence.get("code")
        && b.start < a.end.saturating_add(apart)
}

/// The stronger of the two keeps its words and numbers; the range covers both.
fn absorb(last: &mut Finding, f: Finding) {
    let count = events(last) + events(&f);
    let (start, end) = (last.start.min(f.start), last.end.max(f.end));
    let severity = last.severity.max(f.severity);
    if (f.severity, f.confidence) > (last.severity, last.confidence) {
        *last = f;
    }
    last.start = start;
    last.end = end;
    last.severity = severity;
    last.evidence.insert("events".into(), count.into());
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hit(track: usize, start: u64, end: u64, confidence: f64) -> Finding {
        Finding::new("rf_hit", vec![track], start, end).confidence(confidence)
    }

    #[test]
    fn events_within_a_quarter_second_are_one() {
        let list = vec![
            hit(1, 0, 10, 0.9),
            hit(1, 11_000, 11_010, 0.8),
            hit(1, 30_000, 30_010, 0.8),
            hit(2, 11_000, 11_010, 0.8),
        ];
        let merged = merge(list, 48_000, 100_000);
        let ranges: Vec<_> = merged
            .iter()
            .map(|f| (f.tracks[0], f.start, f.end))
            .collect();
        assert_eq!(
            ranges,
            [(1, 0, 11_010), (2, 11_000, 11_010), (1, 30_000, 30_010)]
        );
        assert_eq!(events(&merged[0]), 2);
        assert_eq!(merged[0].confidence, 0.9);
    }

    #[test]
    fn unsure_findings_go_and_ranges_stay_within_the_take() {
        let merged = merge(
            vec![hit(1, 5, 500, 0.34), hit(1, 90, 500, 0.35)],
            48_000,
            100,
        );
        assert_eq!(merged.len(), 1);
        assert_eq!((merged[0].start, merged[0].end), (90, 100));
    }
}
