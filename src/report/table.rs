//! The sound report as a table: a row per take for post, whoever the list on the terminal is for.

use super::model::{Finding, Origin, Report, Severity, Take, Verdict};
use super::terminal::{count, length, severity_words};
use super::words;

/// Kinds that speak of the mix and not of a microphone: the mixer's own view only.
const OF_THE_MIX: [&str; 3] = ["comb_filtering", "open_mic", "true_peak_over"];

/// Whether a finding is for the mixer alone: a remark on the mix. Nothing handed over tells it unless asked.
pub fn is_mix_remark(finding: &Finding) -> bool {
    finding.origin == Origin::Mix || OF_THE_MIX.contains(&finding.kind.as_str())
}

/// `sound-report.csv`, UTF-8, comma separated, one header row.
///
/// Errors: none that a write to memory can have.
pub fn sound_report(report: &Report) -> Result<Vec<u8>, csv::Error> {
    let most = report
        .takes
        .iter()
        .map(|t| t.tracks.len())
        .max()
        .unwrap_or(0);
    let mut out = csv::Writer::from_writer(Vec::new());
    let mut head: Vec<String> = [
        "file",
        "roll",
        "scene",
        "take",
        "circled",
        "start_timecode",
        "length",
        "frame_rate",
        "sample_rate_hz",
        "bit_depth",
        "answer",
        "no_clean_microphone_at",
        "remarks",
    ]
    .map(str::to_owned)
    .to_vec();
    head.extend((1..=most).map(|n| format!("track_{n}")));
    out.write_record(&head)?;
    for take in &report.takes {
        out.write_record(row(take, most).iter().map(|cell| harmless(cell)))?;
    }
    for file in &report.unreadable {
        let mut cells = vec![String::new(); head.len()];
        cells[0].clone_from(&file.path);
        cells[10] = "not read".into();
        cells[12] = format!("{}: {}", file.reason, file.detail);
        out.write_record(cells.iter().map(|cell| harmless(cell)))?;
    }
    out.into_inner().map_err(|e| e.into_error().into())
}

fn row(take: &Take, tracks: usize) -> Vec<String> {
    let text = |value: &Option<String>| value.clone().unwrap_or_default();
    let files: Vec<&str> = take.files.iter().map(|f| f.path.as_str()).collect();
    let mut cells = vec![
        files.join(" + "),
        text(&take.roll),
        text(&take.scene),
        text(&take.take),
        match take.circled {
            Some(true) => "yes".into(),
            Some(false) => "no".into(),
            None => String::new(),
        },
        text(&take.start_timecode),
        length(take.duration_s),
        text(&take.frame_rate),
        take.sample_rate.to_string(),
        take.bit_depth.to_string(),
        answer(take).into(),
        ranges(take),
        remarks(take),
    ];
    cells.extend((0..tracks).map(|i| {
        let track = take.tracks.get(i);
        track.and_then(|t| t.name.clone()).unwrap_or_default()
    }));
    cells
}

/// The verdict in words that promise nothing.
pub fn answer(take: &Take) -> &'static str {
    match take.verdict {
        _ if words::is_file_fault(take) => words::answer(take),
        Verdict::NothingFound => "nothing found on a line",
        Verdict::OtherMic => "another microphone is clean",
        Verdict::NoCleanMic => "no clean microphone",
    }
}

fn ranges(take: &Take) -> String {
    let all: Vec<String> = take
        .no_clean_mic
        .iter()
        .map(|r| {
            let start = r.start_tc.clone();
            let start = start.unwrap_or_else(|| format!("{:.1} s", r.start_s));
            format!("{start} for {:.1} s", r.end_s - r.start_s)
        })
        .collect();
    all.join("; ")
}

/// The mixer's note and what was found, worst first, one sentence per kind and microphone.
fn remarks(take: &Take) -> String {
    let mut groups: Vec<(&Finding, u64)> = Vec::new();
    for finding in &take.findings {
        if finding.severity < Severity::Caution || is_mix_remark(finding) {
            continue;
        }
        let same =
            |g: &&mut (&Finding, u64)| g.0.kind == finding.kind && g.0.tracks == finding.tracks;
        match groups.iter_mut().find(same) {
            Some((worst, n)) => {
                *n += 1;
                if finding.severity > worst.severity {
                    *worst = finding;
                }
            }
            None => groups.push((finding, 1)),
        }
    }
    groups.sort_by_key(|g| std::cmp::Reverse(g.0.severity));
    let mut all: Vec<String> = take.note.iter().map(|n| n.trim().to_owned()).collect();
    all.extend(groups.iter().map(|(f, n)| {
        let at = f.start_tc.clone().unwrap_or_default();
        let times = if *n > 1 {
            format!(" ({})", count(*n, "time"))
        } else {
            String::new()
        };
        format!(
            "{}, {at}: {}{times}",
            severity_words(f.severity),
            f.message.trim_end_matches('.')
        )
    }));
    all.join("; ")
}

/// A cell that no spreadsheet takes for a formula: labels come from files that nobody vouches for.
pub fn harmless(cell: &str) -> String {
    if cell.starts_with(['=', '+', '-', '@', '\t', '\r']) {
        format!("'{cell}")
    } else {
        cell.to_owned()
    }
}
