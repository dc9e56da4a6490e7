//! Broadcast WAVE files of invented takes: fmt, bext (EBU Tech 3285), iXML, data.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;

use super::scene::Rendered;

/// How samples are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[expect(missing_docs, reason = "format names")]
pub enum Format {
    Int16,
    Int24,
    Float32,
}

/// What a file says about itself.
#[derive(Debug, Clone)]
pub struct Label {
    /// Production.
    pub project: String,
    /// Scene with setup letter.
    pub scene: String,
    /// Take number.
    pub take: String,
    /// Sound roll.
    pub roll: String,
    /// Remark.
    pub note: String,
    /// Selected.
    pub circled: bool,
    /// `yyyy-mm-dd`.
    pub date: String,
    /// Samples since midnight.
    pub time_reference: u64,
    /// Frames per second as a fraction, for example `25/1`.
    pub frame_rate: String,
    /// How samples are stored.
    pub format: Format,
    /// Extra words for `TAKE_TYPE`.
    pub take_type: String,
    /// Write neither bext nor iXML.
    pub bare: bool,
    /// Leave the sizes as a recorder does that lost its power.
    pub power_lost: bool,
}

impl Default for Label {
    fn default() -> Label {
        Label {
            project: "INVENTED".into(),
            scene: "1".into(),
            take: "1".into(),
            roll: "R1".into(),
            note: String::new(),
            circled: false,
            date: "2032-05-11".into(),
            time_reference: 1_728_000_000,
            frame_rate: "25/1".into(),
            format: Format::Int24,
            take_type: String::new(),
            bare: false,
            power_lost: false,
        }
    }
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}

fn bext(label: &Label) -> Vec<u8> {
    let mut chunk = vec![0u8; 602];
    let mut put = |at: usize, size: usize, text: &str| {
        for (slot, byte) in chunk[at..at + size].iter_mut().zip(text.bytes()) {
            *slot = byte;
        }
    };
    let clock = label.time_reference / 48_000;
    put(
        0,
        256,
        &format!(
            "SCENE={}\r\nTAKE={}\r\nROLL={}",
            label.scene, label.take, label.roll
        ),
    );
    put(256, 32, "takeproof demo");
    put(320, 10, &label.date);
    put(
        330,
        8,
        &format!(
            "{:02}:{:02}:{:02}",
            clock / 3600 % 24,
            clock / 60 % 60,
            clock % 60
        ),
    );
    chunk[338..346].copy_from_slice(&label.time_reference.to_le_bytes());
    chunk[346] = 1;
    chunk.extend_from_slice(b"A=PCM,F=48000,W=24,M=multi,T=invented\r\n");
    chunk
}

fn ixml(label: &Label, rendered: &Rendered) -> Vec<u8> {
    let rows: String = rendered
        .tracks
        .iter()
        .enumerate()
        .map(|(i, t)| {
            format!(
                "<TRACK><CHANNEL_INDEX>{0}</CHANNEL_INDEX><INTERLEAVE_INDEX>{0}</INTERLEAVE_INDEX><NAME>{1}</NAME><FUNCTION></FUNCTION></TRACK>",
                i + 1,
                escaped(&t.name)
            )
        })
        .collect();
    let (hi, lo) = (
        label.time_reference >> 32,
        label.time_reference & 0xFFFF_FFFF,
    );
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<BWFXML><IXML_VERSION>1.61</IXML_VERSION><PROJECT>{}</PROJECT><SCENE>{}</SCENE>\
         <TAKE>{}</TAKE><TAPE>{}</TAPE><CIRCLED>{}</CIRCLED><TAKE_TYPE>{}</TAKE_TYPE><NOTE>{}</NOTE><SPEED>\
         <MASTER_SPEED>{rate}</MASTER_SPEED><CURRENT_SPEED>{rate}</CURRENT_SPEED><TIMECODE_RATE>{rate}</TIMECODE_RATE>\
         <TIMECODE_FLAG>NDF</TIMECODE_FLAG><FILE_SAMPLE_RATE>{hz}</FILE_SAMPLE_RATE><AUDIO_BIT_DEPTH>{bits}</AUDIO_BIT_DEPTH>\
         <TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>{hi}</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>\
         <TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>{lo}</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO><TIMESTAMP_SAMPLE_RATE>{hz}</TIMESTAMP_SAMPLE_RATE>\
         </SPEED><TRACK_LIST><TRACK_COUNT>{count}</TRACK_COUNT>{rows}</TRACK_LIST></BWFXML>\n",
        escaped(&label.project),
        escaped(&label.scene),
        escaped(&label.take),
        escaped(&label.roll),
        if label.circled { "TRUE" } else { "FALSE" },
        escaped(&label.take_type),
        escaped(&label.note),
        rate = label.frame_rate,
        hz = rendered.rate,
        bits = bits(label.format),
        count = rendered.tracks.len(),
    )
    .into_bytes()
}

fn bits(format: Format) -> u16 {
    match format {
        Format::Int16 => 16,
        Format::Int24 => 24,
        Format::Float32 => 32,
    }
}

/// Write a take as one polyphonic file. Integer samples are rounded without dither; what exceeds full scale is held there.
pub fn write(path: &Path, rendered: &Rendered, label: &Label) -> std::io::Result<()> {
    let width = usize::from(bits(label.format) / 8);
    let channels = rendered.tracks.len();
    let data_size = rendered.len() * channels * width;
    let mut head: Vec<(&[u8; 4], Vec<u8>)> = Vec::new();
    let mut fmt = Vec::new();
    fmt.extend_from_slice(
        &(if label.format == Format::Float32 {
            3u16
        } else {
            1
        })
        .to_le_bytes(),
    );
    fmt.extend_from_slice(&(channels as u16).to_le_bytes());
    fmt.extend_from_slice(&rendered.rate.to_le_bytes());
    fmt.extend_from_slice(&(rendered.rate * (channels * width) as u32).to_le_bytes());
    fmt.extend_from_slice(&((channels * width) as u16).to_le_bytes());
    fmt.extend_from_slice(&bits(label.format).to_le_bytes());
    head.push((b"fmt ", fmt));
    if !label.bare {
        head.push((b"bext", bext(label)));
        head.push((b"iXML", ixml(label, rendered)));
    }
    let head_size: usize = head
        .iter()
        .map(|(_, body)| 8 + body.len() + body.len() % 2)
        .sum();
    let sizes = if label.power_lost {
        (0, 0)
    } else {
        ((4 + head_size + 8 + data_size) as u32, data_size as u32)
    };
    let mut out = BufWriter::new(File::create(path)?);
    out.write_all(b"RIFF")?;
    out.write_all(&sizes.0.to_le_bytes())?;
    out.write_all(b"WAVE")?;
    for (id, body) in &head {
        out.write_all(*id)?;
        out.write_all(&(body.len() as u32).to_le_bytes())?;
        out.write_all(body)?;
        out.write_all(&[0][..body.len() % 2])?;
    }
    out.write_all(b"data")?;
    out.write_all(&sizes.1.to_le_bytes())?;
    for i in 0..rendered.len() {
        for track in &rendered.tracks {
            let v = track.x[i];
            match label.format {
                Format::Float32 => out.write_all(&v.to_le_bytes())?,
                _ => {
                    let full = f64::from(1u32 << (bits(label.format) - 1));
                    let code = (f64::from(v) * full).round().clamp(-full, full - 1.0) as i32;
                    out.write_all(&code.to_le_bytes()[..width])?;
                }
            }
        }
    }
    out.flush()
}
