//! Hostile bytes: no panic, no endless loop, bounded memory; and the input folder stays as it was.

use std::collections::BTreeMap;
use std::path::Path;
use std::time::SystemTime;

use proptest::prelude::*;
use takeproof::container;
use takeproof::decode::{Block, Decoder};
use takeproof::settings::Settings;
use takeproof::take::assemble::assemble;

/// Open and decode whatever it is; returns the samples read.
fn survive(path: &Path) -> u64 {
    let Ok(opened) = container::open(path) else {
        return 0;
    };
    let bytes = std::fs::metadata(path).unwrap().len();
    // FLAC packs silence; what is stored plain cannot be more than the file holds.
    let most = if opened.header.container == container::Container::Flac {
        u64::MAX
    } else {
        bytes
    };
    assert!(opened.header.frames <= most, "{}", path.display());
    let takes = assemble(vec![(opened, "x.wav".into())], &Settings::default());
    let Ok(mut decoder) = Decoder::open(&takes[0], 4096) else {
        return 0;
    };
    let mut block = Block::default();
    while decoder.next_into(&mut block).unwrap() {
        assert!(!block.is_empty());
        if decoder.position() > 1 << 22 {
            break;
        }
    }
    let read = decoder.position();
    let _ = decoder.finish();
    read
}

fn small_wave() -> Vec<u8> {
    let ixml =
        b"<BWFXML><SCENE>1</SCENE><TRACK_LIST><TRACK><NAME>A</NAME></TRACK></TRACK_LIST></BWFXML>";
    let mut out = b"RIFF\0\0\0\0WAVE".to_vec();
    let mut chunk = |id: &[u8; 4], body: &[u8]| {
        out.extend(id);
        out.extend((body.len() as u32).to_le_bytes());
        out.extend(body);
        out.extend(&[0u8; 1][..body.len() % 2]);
    };
    chunk(b"bext", &[b'x'; 610]);
    chunk(
        b"fmt ",
        &[1, 0, 2, 0, 0x80, 0xBB, 0, 0, 0, 0x65, 4, 0, 6, 0, 24, 0],
    );
    chunk(
        b"data",
        &(0..60)
            .flat_map(|n: u32| n.to_le_bytes())
            .collect::<Vec<u8>>(),
    );
    chunk(b"iXML", ixml);
    let size = out.len() as u32 - 8;
    out[4..8].copy_from_slice(&size.to_le_bytes());
    out
}

fn seeds() -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata/layouts");
    let mut seeds = vec![small_wave()];
    let mut wide = small_wave();
    wide[..4].copy_from_slice(b"RF64");
    seeds.push(wide);
    for name in ["flac_24_1ch.flac", "aiff_8_1ch.aiff"] {
        seeds.push(std::fs::read(folder.join(name)).unwrap());
    }
    seeds
}

#[test]
fn a_file_may_end_at_any_byte() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.wav");
    for seed in seeds() {
        for end in (0..seed.len()).filter(|e| *e < 1200 || e % 13 == 0) {
            std::fs::write(&path, &seed[..end]).unwrap();
            survive(&path);
        }
    }
}

#[test]
fn any_four_bytes_may_be_wrong() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.wav");
    for seed in seeds() {
        for at in (0..seed.len().min(1000) - 4).filter(|a| *a < 100 || a % 3 == 0) {
            for value in [0u32, 1, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFF, 0xFFFF_FFF0] {
                let mut bytes = seed.clone();
                bytes[at..at + 4].copy_from_slice(&value.to_le_bytes());
                std::fs::write(&path, &bytes).unwrap();
                survive(&path);
            }
        }
    }
}

/// A chunk with a size that may be a lie.
fn chunk() -> impl Strategy<Value = Vec<u8>> {
    let id = prop_oneof![
        Just(*b"fmt "),
        Just(*b"data"),
        Just(*b"bext"),
        Just(*b"iXML"),
        Just(*b"ds64"),
        Just(*b"JUNK"),
        Just(*b"LIST"),
        any::<[u8; 4]>(),
    ];
    let body = prop_oneof![
        proptest::collection::vec(any::<u8>(), 0..80),
        Just(vec![
            1, 0, 2, 0, 0x80, 0xBB, 0, 0, 0, 0x65, 4, 0, 6, 0, 24, 0
        ]),
        Just(vec![
            0xFE, 0xFF, 1, 0, 0x80, 0xBB, 0, 0, 0, 0x65, 4, 0, 4, 0, 32, 0, 22, 0, 24, 0, 0, 0, 0,
            0, 3, 0
        ]),
    ];
    let size = prop_oneof![3 => Just(None), 1 => any::<u32>().prop_map(Some), 1 => Just(Some(0)), 1 => Just(Some(u32::MAX))];
    (id, body, size, any::<bool>()).prop_map(|(id, body, size, pad)| {
        let mut out = id.to_vec();
        out.extend(size.unwrap_or(body.len() as u32).to_le_bytes());
        out.extend(&body);
        if pad && body.len() % 2 == 1 {
            out.push(0);
        }
        out
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 600, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_tree_of_chunks(
        id in prop_oneof![Just(*b"RIFF"), Just(*b"RF64"), Just(*b"BW64")],
        size in any::<u32>(),
        chunks in proptest::collection::vec(chunk(), 0..8),
    ) {
        let mut bytes = id.to_vec();
        bytes.extend(size.to_le_bytes());
        bytes.extend(b"WAVE");
        bytes.extend(chunks.concat());
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x.wav");
        std::fs::write(&path, &bytes).unwrap();
        survive(&path);
    }
}

#[test]
fn files_that_hurt_once_hurt_no_more() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata/hostile");
    let mut count = 0;
    for entry in std::fs::read_dir(folder).unwrap() {
        survive(&entry.unwrap().path());
        count += 1;
    }
    assert!(count > 0);
}

/// Every path below a folder with its bytes and times.
fn state(folder: &Path) -> BTreeMap<String, (Vec<u8>, Option<SystemTime>)> {
    let mut all = BTreeMap::new();
    let mut queue = vec![folder.to_owned()];
    while let Some(path) = queue.pop() {
        for entry in std::fs::read_dir(&path).unwrap() {
            let path = entry.unwrap().path();
            let modified = path.metadata().unwrap().modified().ok();
            if path.is_dir() {
                all.insert(path.display().to_string(), (Vec::new(), modified));
                queue.push(path);
            } else {
                let bytes = std::fs::read(&path).unwrap();
                all.insert(path.display().to_string(), (bytes, modified));
            }
        }
    }
    all
}

#[test]
fn a_check_leaves_the_input_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    for (i, seed) in seeds().iter().enumerate() {
        std::fs::write(folder.path().join(format!("{i}.wav")), seed).unwrap();
        std::fs::write(
            folder.path().join(format!("{i} cut.wav")),
            &seed[..seed.len() / 2],
        )
        .unwrap();
    }
    std::fs::write(folder.path().join("empty.wav"), b"").unwrap();
    std::fs::write(folder.path().join("notes.txt"), b"x").unwrap();
    let before = state(folder.path());
    let report = crate::harness::check_path(folder.path(), &Settings::default(), 2);
    assert_eq!(state(folder.path()), before);
    assert!(report.takes.len() >= 4, "{}", report.takes.len());
    assert_eq!(report.other_files.len(), 1);
    let empty = report
        .unreadable
        .iter()
        .find(|u| u.path == "empty.wav")
        .unwrap();
    assert!(empty.detail.contains("empty"), "{}", empty.detail);
    // Every file is in the report, whatever became of it.
    let named: usize = report.takes.iter().map(|t| t.files.len()).sum::<usize>()
        + report.unreadable.len()
        + report.other_files.len();
    assert_eq!(named, before.len());
}
