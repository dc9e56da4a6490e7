//! An invented shooting day as report and drawing data, for the tests of pictures and page. Nothing here was recorded.

#![allow(dead_code, reason = "each test file uses a part")]

use std::collections::BTreeMap;

use takeproof::report::drawing::{Bytes, Levels, TakeDrawing, Tile, TileTrack, TrackDrawing};
use takeproof::report::model::*;

/// A small generator, so that the same day comes out everywhere (Marsaglia, xorshift 64).
pub(crate) struct Dice(u64);

impl Dice {
    pub(crate) fn new(seed: u64) -> Dice {
        Dice(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }
    pub(crate) fn roll(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
    pub(crate) fn within(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.roll()
    }
    pub(crate) fn one(&mut self, n: usize) -> usize {
        ((self.roll() * n as f64) as usize).min(n - 1)
    }
}

pub(crate) const CAST: [&str; 10] = [
    "Nora", "Tomas", "Ilse", "Bram", "Wanda", "Pavel", "Edda", "Milo", "Greta", "Jonas",
];

pub(crate) fn empty_report() -> Report {
    Report {
        schema: "takeproof-report/1".into(),
        tool: Tool {
            name: "takeproof".into(),
            version: "0.1.0".into(),
        },
        settings: BTreeMap::new(),
        takes: Vec::new(),
        unreadable: Vec::new(),
        other_files: Vec::new(),
        day: Day::default(),
    }
}

fn r(x: f64) -> f64 {
    (x * 1000.0).round() / 1000.0
}

fn tc(start_frame: i64, t_s: f64) -> String {
    let f = start_frame + (t_s * 25.0).floor() as i64;
    format!(
        "{:02}:{:02}:{:02}:{:02}",
        f / 90_000 % 24,
        f / 1500 % 60,
        f / 25 % 60,
        f % 25
    )
}

/// Tracks: two mixes, a boom, then body microphones.
fn track(index: usize, count: usize) -> Track {
    let (name, role, talker) = match index {
        1 => ("Mix L".to_owned(), Role::Mix, None),
        2 if count > 3 => ("Mix R".to_owned(), Role::Mix, None),
        3 | 2 => ("Boom".to_owned(), Role::Boom, None),
        n => {
            let who = CAST[(n - 4) % CAST.len()];
            (who.to_owned(), Role::Lav, Some(who.to_owned()))
        }
    };
    Track {
        room_tone_s: None,
        index,
        name: Some(name),
        role,
        role_source: RoleSource::Metadata,
        wireless: Some(role == Role::Lav),
        talker,
        measurements: Measurements {
            sample_peak_dbfs: Some(-8.0 - index as f64 / 3.0),
            true_peak_dbtp: Some(-7.6 - index as f64 / 3.0),
            loudness_lufs: Some(-26.4),
            loudness_range_lu: Some(8.1),
            speech_level_dbfs: Some(-24.2),
            speech_share: Some(0.41),
            noise_floor_dbfs: Some(-61.0 - index as f64 / 2.0),
            noise_floor_dba: Some(-66.0),
            snr_db: Some(36.0),
            dc_offset: Some(0.0),
            bandwidth_hz: Some(19_500.0),
            ..Measurements::default()
        },
    }
}

const SAYS: [(&str, Severity, Origin, &str, &str); 8] = [
    (
        "rf_hit",
        Severity::Fault,
        Origin::Radio,
        "7 radio hits within 0.42 s, the loudest 18 dB over the voice.",
        "Use the boom for this line; check the pack's antenna before the next setup.",
    ),
    (
        "rustle",
        Severity::Fault,
        Origin::ThisMic,
        "Clothing rustle for 1.8 s, 9 dB over the voice above 2 kHz.",
        "Ask costume to free the microphone; use the boom for this line.",
    ),
    (
        "clipping",
        Severity::Fault,
        Origin::Recorder,
        "Samples pinned at full scale in 4 bursts, the longest 23 samples.",
        "Bring the gain down 6 dB; worth asking for one more.",
    ),
    (
        "noise_change",
        Severity::Caution,
        Origin::Place,
        "The background rises by 6.2 dB and stays.",
        "Tell post; a machine started. Room tone of both states helps.",
    ),
    (
        "hum",
        Severity::Caution,
        Origin::ThisMic,
        "Hum at 50.02 Hz with 7 harmonics, 11 dB over the background.",
        "Check the cable and what is plugged in nearby.",
    ),
    (
        "polarity_inverted",
        Severity::Caution,
        Origin::ThisMic,
        "Polarity reversed against the boom, sure to 0.99.",
        "Flip it in the edit; check the cable or the adapter.",
    ),
    (
        "click",
        Severity::Caution,
        Origin::Recorder,
        "A click of 3 samples, 14 dB over the sound around it.",
        "Nothing to do now; post can take it out.",
    ),
    (
        "off_mic",
        Severity::Note,
        Origin::Place,
        "The boom loses the talker by 11 dB for 2.3 s.",
        "Nothing to do; the body microphone holds the line.",
    ),
];

/// One take with its drawing data. `trouble` is the number of findings.
pub(crate) fn take(
    dice: &mut Dice,
    number: usize,
    tracks: usize,
    duration_s: f64,
    trouble: usize,
) -> (Take, TakeDrawing) {
    let setup = number / 3;
    let scene = format!("{}{}", 12 + setup / 4, ["", "A", "B", "C"][setup % 4]);
    let first = (8 * 3600 + number as i64 * 200) * 25 + 11;
    let id = format!("t{number:04}");
    let list: Vec<Track> = (1..=tracks).map(|i| track(i, tracks)).collect();
    let lavs: Vec<&Track> = list.iter().filter(|t| t.role == Role::Lav).collect();
    let boom = list.iter().find(|t| t.role == Role::Boom).map(|t| t.index);
    let mut speech: Vec<Speech> = Vec::new();
    let mut at = 4.0f64.min(duration_s * 0.1);
    while at < duration_s * 0.92 && !lavs.is_empty() {
        let length = dice.within(1.2, 5.0).min(duration_s - at);
        let who = lavs[dice.one(lavs.len().min(4))];
        speech.push(Speech {
            start_s: r(at),
            end_s: r(at + length),
            talker: who.talker.clone(),
            best_track: boom,
            best_reason: "boom on-mic, 24 dB over its background".into(),
            clean_tracks: [boom, Some(who.index)].into_iter().flatten().collect(),
            heard_on: [boom, Some(who.index)].into_iter().flatten().collect(),
            level_dbfs: Some(-24.0),
            effort: Some("normal".into()),
        });
        at += length + dice.within(0.4, 4.0) + duration_s / 60.0;
    }
    let mut findings = Vec::new();
    for n in 0..trouble {
        let (kind, severity, origin, message, advice) = SAYS[(number + n) % SAYS.len()];
        let on = if lavs.is_empty() {
            1
        } else {
            lavs[dice.one(lavs.len())].index
        };
        let long = matches!(kind, "hum" | "noise_change" | "polarity_inverted");
        let (a, b) = if long {
            (0.0, duration_s)
        } else {
            let a = dice.within(0.05, 0.9) * duration_s;
            (a, (a + dice.within(0.05, 1.8)).min(duration_s))
        };
        findings.push(Finding {
            id: format!("{id}-{kind}-{on}-{n}"),
            kind: kind.into(),
            severity,
            confidence: [0.98, 0.85, 0.6][n % 3],
            origin,
            tracks: vec![on],
            takes: None,
            files: None,
            start_sample: Some((a * 48_000.0) as u64),
            end_sample: Some((b * 48_000.0) as u64),
            start_s: Some(r(a)),
            end_s: Some(r(b)),
            start_tc: Some(tc(first, a)),
            end_tc: Some(tc(first, b)),
            evidence: serde_json::json!({"events": 7, "peak_dbfs": -3.2, "excess_db": 18.0, "clear_tracks": [boom]})
                .as_object()
                .cloned()
                .unwrap_or_default(),
            message: message.into(),
            advice: advice.into(),
        });
    }
    findings.sort_by(|a, b| a.start_s.unwrap().total_cmp(&b.start_s.unwrap()));
    let faults = findings.iter().filter(|f| f.severity == Severity::Fault);
    let no_clean: Vec<Range> = faults
        .clone()
        .filter(|_| number % 7 == 2)
        .map(|f| Range {
            start_s: f.start_s.unwrap(),
            end_s: f.end_s.unwrap(),
            start_tc: f.start_tc.clone(),
        })
        .collect();
    let verdict = match (faults.count(), no_clean.is_empty()) {
        (0, _) => Verdict::NothingFound,
        (_, true) => Verdict::OtherMic,
        _ => Verdict::NoCleanMic,
    };
    let mic_timeline = list
        .iter()
        .filter(|t| matches!(t.role, Role::Boom | Role::Lav))
        .map(|t| {
            let mut stretches = Vec::new();
            let mut at = 0.0;
            let mut bad: Vec<(f64, f64, MicState)> = findings
                .iter()
                .filter(|f| f.tracks.contains(&t.index) && f.severity == Severity::Fault)
                .map(|f| (f.start_s.unwrap(), f.end_s.unwrap(), MicState::Faulty))
                .collect();
            if t.role == Role::Boom {
                bad.push((duration_s * 0.6, duration_s * 0.7, MicState::OffMic));
            } else {
                bad.push((
                    0.0,
                    duration_s * 0.06 * (t.index % 4) as f64,
                    MicState::Silent,
                ));
            }
            bad.sort_by(|a, b| a.0.total_cmp(&b.0));
            for (a, b, state) in bad {
                if a > at {
                    stretches.push(MicStretch {
                        start_s: r(at),
                        end_s: r(a),
                        state: MicState::Clean,
                    });
                }
                if b > at {
                    stretches.push(MicStretch {
                        start_s: r(a.max(at)),
                        end_s: r(b),
                        state,
                    });
                    at = b;
                }
            }
            if at < duration_s {
                stretches.push(MicStretch {
                    start_s: r(at),
                    end_s: r(duration_s),
                    state: MicState::Clean,
                });
            }
            MicTimeline {
                track: t.index,
                stretches,
            }
        })
        .collect();
    let pairs = boom
        .map(|boom| {
            lavs.iter()
                .take(3)
                .map(|l| {
                    pair(
                        dice,
                        boom,
                        l.index,
                        duration_s,
                        findings
                            .iter()
                            .any(|f| f.kind == "polarity_inverted" && f.tracks[0] == l.index),
                    )
                })
                .collect()
        })
        .unwrap_or_default();
    let drawing = drawing(dice, &list, &speech, &findings, duration_s, boom);
    let take = Take {
        id,
        files: vec![File {
            path: format!("SR014/{scene}-T{:02}.wav", number % 3 + 1),
            bytes: (duration_s * 48_000.0 * 3.0) as u64 * tracks as u64 + 4096,
            container: "wave".into(),
            hash: Hash {
                xxh128: format!("{number:032x}"),
            },
            audio_hash: Hash {
                xxh128: format!("{:032x}", number + 7),
            },
            problems: Vec::new(),
        }],
        scene: Some(scene),
        take: Some((number % 3 + 1).to_string()),
        roll: Some(format!("SR{:03}", 14 + number / 60)),
        circled: Some(number % 3 == 1),
        note: (number % 5 == 3).then(|| "plane at the end".into()),
        start_timecode: Some(tc(first, 0.0)),
        time_reference_samples: Some(first.unsigned_abs() * 48_000 / 25),
        frame_rate: Some("25/1".into()),
        drop_frame: Some(false),
        sample_rate: 48_000,
        bit_depth: 24,
        sample_format: SampleFormat::Int,
        samples: (duration_s * 48_000.0) as u64,
        duration_s: r(duration_s),
        tracks: list,
        pairs,
        landmarks: vec![Landmark {
            kind: "slate_clap".into(),
            start_s: r(duration_s * 0.03),
            end_s: r(duration_s * 0.03 + 0.05),
            tracks: vec![1, 2],
        }],
        take_type: TakeType::Dialogue,
        no_good: None,
        windows: vec![Window {
            start_s: r(duration_s * 0.03),
            end_s: r(duration_s * 0.97),
            reason: "slate to cut".into(),
            certain: true,
        }],
        speech,
        findings,
        not_judged: vec![NotJudged {
            kind: "late_track".into(),
            tracks: vec![],
            why: "too little speech of one person at a time".into(),
        }],
        mic_timeline,
        alternates: Vec::new(),
        faders: None,
        verdict,
        no_clean_mic: no_clean,
        curves: Vec::new(),
    };
    (take, drawing)
}

fn pair(dice: &mut Dice, a: usize, b: usize, duration_s: f64, inverted: bool) -> Pair {
    let delay = dice.within(-0.4, 3.2);
    let polarity = if inverted {
        Polarity::Inverted
    } else {
        Polarity::Same
    };
    let n = ((duration_s / 4.0) as usize).clamp(1, 200);
    let segments = (0..n)
        .map(|k| PairSegment {
            start_s: r(k as f64 * duration_s / n as f64),
            end_s: r((k as f64 + 0.8) * duration_s / n as f64),
            delay_ms: (k % 5 != 3).then(|| r(delay + dice.within(-0.15, 0.15))),
            coherence: Some(r(dice.within(0.45, 0.92))),
            polarity,
            level_difference_db: Some(r(dice.within(-8.0, -4.0))),
        })
        .collect();
    Pair {
        a,
        b,
        delay_ms: Some(r(delay)),
        delay_spread_ms: Some(0.11),
        coherence: Some(0.71),
        level_difference_db: Some(-5.8),
        polarity,
        polarity_confidence: Some(0.97),
        segments,
        summed_first_null_hz: Some(r(if inverted { 1000.0 } else { 500.0 } / delay.abs())),
        summed_ripple_db: Some(9.9),
        delay_kind: Some(DelayKind::Moving),
        nudge_samples: None,
    }
}

fn drawing(
    dice: &mut Dice,
    tracks: &[Track],
    speech: &[Speech],
    findings: &[Finding],
    duration_s: f64,
    boom: Option<usize>,
) -> TakeDrawing {
    let columns = ((duration_s / 0.1).ceil() as usize).clamp(1, 2400);
    let column_s = duration_s / columns as f64;
    let drawn = tracks
        .iter()
        .map(|t| {
            let base = -62.0 + dice.within(-4.0, 4.0);
            let mut syllable = 0.0;
            let rms: Vec<f64> = (0..columns)
                .map(|k| {
                    let time = k as f64 * column_s;
                    syllable = 0.6 * syllable + 0.4 * dice.within(-14.0, 8.0);
                    let floor = base + if time > duration_s * 0.62 { 6.0 } else { 0.0 };
                    let own = speech.iter().any(|s| {
                        s.start_s <= time
                            && time < s.end_s
                            && (t.talker.is_none() || s.talker == t.talker)
                    });
                    let heard = speech.iter().any(|s| s.start_s <= time && time < s.end_s);
                    if own {
                        -24.0 + syllable
                    } else if heard {
                        -46.0 + syllable
                    } else {
                        floor + dice.within(-1.0, 1.0)
                    }
                })
                .collect();
            let peak: Vec<f64> = rms
                .iter()
                .map(|l| (l + dice.within(7.0, 13.0)).min(-0.3))
                .collect();
            let floors = columns.div_ceil(5);
            TrackDrawing {
                peak: Levels::from_db(peak),
                rms: Levels::from_db(rms),
                floor: Levels::from_db((0..floors).map(|k| {
                    base + if k as f64 * 5.0 * column_s > duration_s * 0.62 {
                        6.0
                    } else {
                        0.0
                    }
                })),
            }
        })
        .collect();
    let tiles = findings
        .iter()
        .filter(|f| f.severity > Severity::Note)
        .take(6)
        .map(|f| {
            let (a, b) = (
                (f.start_s.unwrap() - 1.0).max(0.0),
                (f.end_s.unwrap().min(f.start_s.unwrap() + 4.0) + 1.0).min(duration_s),
            );
            let n = 140;
            let mut cells = |bad: bool| {
                let mut out = Vec::new();
                for k in 0..n {
                    let time = a + (b - a) * f64::from(k) / f64::from(n);
                    let hit = bad && (time - f.start_s.unwrap()).abs() < 0.06;
                    for band in 0..28 {
                        let voice = -50.0 - f64::from((band - 9i32).abs()) * 2.2
                            + 12.0 * (time * 9.0 + f64::from(band) * 0.4).sin();
                        let level = if hit {
                            -26.0 - f64::from(28 - band) * 0.4
                        } else {
                            voice
                        } + dice.within(-3.0, 3.0);
                        out.push((1.0 + (level + 140.0) / 2.0).round().clamp(1.0, 255.0) as u8);
                    }
                }
                Bytes(out)
            };
            let mut tile = vec![TileTrack {
                track: f.tracks[0],
                cells: cells(true),
            }];
            tile.extend(boom.map(|track| TileTrack {
                track,
                cells: cells(false),
            }));
            Tile {
                finding: f.id.clone(),
                start_s: r(a),
                column_s: (b - a) / f64::from(n),
                tracks: tile,
            }
        })
        .collect();
    TakeDrawing {
        column_s,
        floor_column_s: column_s * 5.0,
        tracks: drawn,
        tiles,
    }
}

/// A whole day.
pub(crate) fn day(takes: usize, tracks: usize) -> (Report, Vec<TakeDrawing>) {
    let mut dice = Dice::new(7);
    let mut report = empty_report();
    let mut drawings = Vec::new();
    for n in 0..takes {
        let trouble = match n % 5 {
            0 | 3 => 0,
            1 => 2,
            2 => 6,
            _ => 3,
        };
        let duration = dice.within(40.0, 190.0);
        let (take, drawing) = take(&mut dice, n, tracks, duration, trouble);
        report.takes.push(take);
        drawings.push(drawing);
    }
    let mut setups: Vec<Setup> = Vec::new();
    for t in &report.takes {
        let scene = t.scene.clone().unwrap();
        let (number, letter) = scene.split_at(scene.trim_end_matches(char::is_alphabetic).len());
        let fresh = setups
            .last()
            .is_none_or(|s| s.scene != number || s.setup != letter);
        if fresh {
            setups.push(Setup {
                scene: number.into(),
                setup: letter.into(),
                takes: Vec::new(),
                clean_takes: Vec::new(),
                room_tone_s: [("Boom".to_owned(), r(dice.within(0.0, 30.0)))].into(),
            });
        }
        let setup = setups.last_mut().unwrap();
        setup.takes.push(t.id.clone());
        if t.verdict != Verdict::NoCleanMic {
            setup.clean_takes.push(t.id.clone());
        }
    }
    let alternates: Vec<(String, String)> = setups
        .iter()
        .flat_map(|s| {
            s.takes
                .iter()
                .filter(|t| !s.clean_takes.contains(t))
                .flat_map(|t| s.clean_takes.iter().map(move |c| (t.clone(), c.clone())))
        })
        .collect();
    for t in &mut report.takes {
        t.alternates = alternates
            .iter()
            .filter(|(from, _)| *from == t.id)
            .map(|(_, to)| Alternate {
                take: to.clone(),
                clean: true,
                start_s: None,
                end_s: None,
            })
            .collect();
    }
    let names: Vec<String> = (1..=tracks)
        .map(|i| track(i, tracks).name.unwrap())
        .collect();
    report.day.trends = names
        .iter()
        .enumerate()
        .skip(2.min(tracks - 1))
        .map(|(i, name)| Trend {
            track_name: name.clone(),
            points: report
                .takes
                .iter()
                .enumerate()
                .map(|(n, t)| TrendPoint {
                    take: t.id.clone(),
                    noise_floor_dbfs: Some(r(-62.0
                        + i as f64
                        + dice.within(-1.5, 1.5)
                        + if n > takes / 2 && i == 4 { 9.0 } else { 0.0 })),
                    bandwidth_hz: Some(if n * 3 > takes * 2 && i == 5 {
                        7200.0
                    } else {
                        19_500.0 + dice.within(-500.0, 500.0)
                    }),
                    hits_per_min: Some(if i == 6 {
                        r(dice.within(0.0, 3.0) * n as f64 / takes as f64)
                    } else {
                        0.0
                    }),
                })
                .collect(),
        })
        .collect();
    report.day.setups = setups;
    if takes > 4 {
        let from = takes * 2 / 3;
        report.day.findings.push(Finding {
            id: "day-muffled".into(),
            kind: "muffled".into(),
            severity: Severity::Caution,
            confidence: 0.93,
            origin: Origin::ThisMic,
            tracks: vec![],
            takes: Some(report.takes[from..].iter().map(|t| t.id.clone()).collect()),
            files: None,
            start_sample: None,
            end_sample: None,
            start_s: None,
            end_s: None,
            start_tc: None,
            end_tc: None,
            evidence: serde_json::json!({"last_good_take": report.takes[from - 1].id, "loss_db": 14.0, "track_name": "Ilse"}).as_object().cloned().unwrap(),
            message: "Ilse muffled by 14 dB above 4 kHz from this take on.".into(),
            advice: "Tell costume now; check that the microphone has not slipped under a layer.".into(),
        });
        report.unreadable.push(Unreadable {
            path: "SR014/12C-T09.wav".into(),
            reason: "no audio in it".into(),
            detail: "the file is 0 bytes long".into(),
        });
    }
    let mut totals = Totals {
        takes: report.takes.len() as u64,
        files: report.takes.len() as u64,
        unreadable: report.unreadable.len() as u64,
        ..Totals::default()
    };
    for t in &report.takes {
        totals.duration_s += t.duration_s;
        totals.track_hours += t.duration_s * t.tracks.len() as f64 / 3600.0;
        totals.bytes += t.files[0].bytes;
        match t.verdict {
            Verdict::NothingFound => totals.nothing_found += 1,
            Verdict::OtherMic => totals.other_mic += 1,
            Verdict::NoCleanMic => totals.no_clean_mic += 1,
        }
        for f in &t.findings {
            match f.severity {
                Severity::Fault => totals.faults += 1,
                Severity::Caution => totals.cautions += 1,
                Severity::Note => totals.notes += 1,
            }
        }
    }
    totals.duration_s = r(totals.duration_s);
    totals.track_hours = r(totals.track_hours);
    report.day.totals = totals;
    (report, drawings)
}
