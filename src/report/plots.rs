//! Pictures: per take an overview of every track, per suspicious pair of microphones a picture of the pair, and the trend
//! of the day. Each is drawn once and written as SVG (sharp in print) and PNG (opens everywhere).
//!
//! What a mark means is told by shape, height or pattern first and by colour second, so that a grey print says the same.
//! The pictures are made from the report and the drawing data alone.

use std::cmp::Reverse;
use std::collections::BTreeMap;
use std::sync::LazyLock;

use ab_glyph::{Font, FontRef};
use plotters::backend::BitMapBackend;
use plotters::coord::Shift;
use plotters::drawing::{DrawingArea, IntoDrawingArea};
use plotters::element::{PathElement, Polygon, Rectangle, Text};
use plotters::prelude::{Color, DrawingBackend, FontStyle, RGBAColor, RGBColor};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{IntoFont, ShapeStyle, TextStyle, register_font};
use unicode_width::UnicodeWidthChar;

mod overview;
mod pair;
mod svg;
mod trend;

pub use overview::overview;
pub use pair::{pair, suspicious_pairs};
pub use trend::trend;

use svg::Svg;

/// Width of every picture in picture points.
pub const WIDTH: u32 = 1200;
/// Pixels (and SVG units) per picture point.
const SCALE: u32 = 2;

const FAMILY: &str = "sans-serif";
/// Length of a letter that the shipped font does not have, in ems: of a narrow one; wide ones have two of it.
const MISSING_EMS: f64 = 0.5;
/// Height of a line of the shipped font, in ems.
const LINE_EMS: f64 = 1.3;
/// How far the bitmap sets capitals above the middle it was given, in ems.
const BITMAP_DROP: f64 = 0.21;
static REGULAR: &[u8] = include_bytes!("../../testdata/fonts/IBMPlexSansCondensed-Regular.ttf");
static BOLD: &[u8] = include_bytes!("../../testdata/fonts/IBMPlexSansCondensed-SemiBold.ttf");

const PAPER: RGBColor = RGBColor(255, 255, 255);
const INK: RGBColor = RGBColor(26, 32, 44);
const SOFT: RGBColor = RGBColor(92, 101, 117);
const LINE: RGBColor = RGBColor(214, 219, 227);
const LANE: RGBColor = RGBColor(246, 247, 250);
const PEAK: RGBColor = RGBColor(184, 197, 217);
const BODY: RGBColor = RGBColor(92, 119, 158);
const BACKGROUND: RGBColor = RGBColor(20, 30, 60);
const FAULT: RGBColor = RGBColor(178, 18, 42);
const CAUTION: RGBColor = RGBColor(176, 92, 0);
const NOTE: RGBColor = RGBColor(92, 101, 117);
const CLEAN: RGBColor = RGBColor(22, 128, 92);

/// A picture could not be drawn.
#[derive(Debug, thiserror::Error)]
#[error("picture not drawn: {0}")]
pub struct PlotError(String);

/// A finished picture in both forms.
#[derive(Debug, Clone)]
pub struct Picture {
    /// File name without ending.
    pub name: String,
    /// SVG text.
    pub svg: String,
    /// PNG bytes.
    pub png: Vec<u8>,
}

/// Something that can be drawn at [`WIDTH`] and a height of its own.
trait Scene {
    fn height(&self) -> u32;
    fn draw<B: DrawingBackend>(&self, canvas: &Canvas<B>) -> Result<(), PlotError>;
}

fn picture(name: String, scene: &impl Scene) -> Result<Picture, PlotError> {
    LazyLock::force(&FONTS);
    let (width, height) = (WIDTH * SCALE, scene.height() * SCALE);
    let mut svg = String::new();
    paint(
        Svg::new(&mut svg, (width, height)).into_drawing_area(),
        scene,
        0.0,
    )?;
    let mut pixels = vec![0u8; width as usize * height as usize * 3];
    let bitmap = BitMapBackend::with_buffer(&mut pixels, (width, height));
    paint(bitmap.into_drawing_area(), scene, BITMAP_DROP)?;
    Ok(Picture {
        name,
        svg,
        png: png(&pixels, width, height)?,
    })
}

fn paint<B: DrawingBackend>(
    area: DrawingArea<B, Shift>,
    scene: &impl Scene,
    drop: f64,
) -> Result<(), PlotError> {
    area.fill(&PAPER).map_err(failed)?;
    let canvas = Canvas { area, drop };
    scene.draw(&canvas)?;
    canvas.area.present().map_err(failed)
}

fn failed(error: impl std::fmt::Display) -> PlotError {
    PlotError(error.to_string())
}

/// The pixels as a PNG file with a palette: the pictures hold few colours, and a third of the size is a day that can be mailed.
fn png(pixels: &[u8], width: u32, height: u32) -> Result<Vec<u8>, PlotError> {
    let (palette, indexed) = paletted(pixels);
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, width, height);
    encoder.set_color(png::ColorType::Indexed);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_palette(palette);
    encoder.set_compression(png::Compression::Default);
    encoder.set_filter(png::FilterType::NoFilter);
    let mut writer = encoder.write_header().map_err(failed)?;
    writer.write_image_data(&indexed).map_err(failed)?;
    writer.finish().map_err(failed)?;
    Ok(bytes)
}

/// The 256 commonest colours, and each pixel's place among them; a rare one (an edge of a letter) takes the nearest.
fn paletted(pixels: &[u8]) -> (Vec<u8>, Vec<u8>) {
    // Most pixels are like the one before.
    let runs = || pixels.as_chunks::<3>().0.chunk_by(|a, b| a == b);
    let mut counts: BTreeMap<[u8; 3], usize> = BTreeMap::new();
    for run in runs() {
        *counts.entry(run[0]).or_default() += run.len();
    }
    let mut colours: Vec<([u8; 3], usize)> = counts.into_iter().collect();
    colours.sort_by_key(|&(_, pixels)| Reverse(pixels));
    let palette: Vec<[u8; 3]> = colours.iter().take(256).map(|&(c, _)| c).collect();
    let nearest = |colour: &[u8; 3]| {
        let apart = |other: &[u8; 3]| -> u32 {
            let squares = colour.iter().zip(other);
            squares
                .map(|(&a, &b)| u32::from(a.abs_diff(b)).pow(2))
                .sum()
        };
        (0u8..=255)
            .zip(&palette)
            .min_by_key(|(_, other)| apart(other))
            .map_or(0, |(place, _)| place)
    };
    let places: BTreeMap<[u8; 3], u8> = colours.iter().map(|(c, _)| (*c, nearest(c))).collect();
    let mut indexed = Vec::with_capacity(pixels.len() / 3);
    for run in runs() {
        indexed.resize(indexed.len() + run.len(), places[&run[0]]);
    }
    (palette.concat(), indexed)
}

/// The shipped fonts, regular and bold; `None` if they could not be read, which would show as a [`PlotError`] at the first text
/// of a bitmap.
static FONTS: LazyLock<Option<[FontRef<'static>; 2]>> = LazyLock::new(|| {
    register_font(FAMILY, FontStyle::Normal, REGULAR).ok()?;
    register_font(FAMILY, FontStyle::Bold, BOLD).ok()?;
    let read = |bytes| FontRef::try_from_slice(bytes).ok();
    Some([read(REGULAR)?, read(BOLD)?])
});

/// How long a text is in ems. A letter that the font does not have is as long as it is in most fonts.
fn ems(text: &str, bold: bool) -> f64 {
    let Some(fonts) = &*FONTS else { return 0.0 };
    let font = &fonts[usize::from(bold)];
    let em = f64::from(font.units_per_em().unwrap_or(1000.0));
    let of = |c: char| match font.glyph_id(c) {
        glyph if glyph.0 > 0 => f64::from(font.h_advance_unscaled(glyph)) / em,
        _ => c.width().unwrap_or(0) as f64 * MISSING_EMS,
    };
    text.chars().map(of).sum()
}

/// Where a text hangs on its point.
#[derive(Clone, Copy, PartialEq)]
enum At {
    Left,
    Middle,
    Right,
}

/// Draws in picture points.
struct Canvas<B: DrawingBackend> {
    area: DrawingArea<B, Shift>,
    /// How far the backend sets capitals above the middle it was given, in ems.
    drop: f64,
}

fn px(v: f64) -> i32 {
    (v * f64::from(SCALE)).round().clamp(-1e6, 1e6) as i32
}

impl<B: DrawingBackend> Canvas<B> {
    fn rect(
        &self,
        x0: f64,
        y0: f64,
        x1: f64,
        y1: f64,
        colour: &impl Color,
    ) -> Result<(), PlotError> {
        // A bitmap fills both corners, so the far ones step back by a pixel.
        let (x0, y0) = (px(x0), px(y0));
        let (x1, y1) = ((px(x1) - 1).max(x0), (px(y1) - 1).max(y0));
        self.area
            .draw(&Rectangle::new([(x0, y0), (x1, y1)], colour.filled()))
            .map_err(failed)
    }

    fn line(
        &self,
        points: &[(f64, f64)],
        colour: &impl Color,
        width: f64,
    ) -> Result<(), PlotError> {
        if points.len() < 2 {
            return Ok(());
        }
        let style = ShapeStyle {
            color: colour.to_rgba(),
            filled: false,
            stroke_width: px(width).max(1) as u32,
        };
        let points: Vec<_> = points.iter().map(|&(x, y)| (px(x), px(y))).collect();
        self.area
            .draw(&PathElement::new(points, style))
            .map_err(failed)
    }

    fn polygon(&self, points: &[(f64, f64)], colour: &impl Color) -> Result<(), PlotError> {
        if points.len() < 3 {
            return Ok(());
        }
        let points: Vec<_> = points.iter().map(|&(x, y)| (px(x), px(y))).collect();
        self.area
            .draw(&Polygon::new(points, colour.filled()))
            .map_err(failed)
    }

    fn dashes(
        &self,
        (x0, y0): (f64, f64),
        (x1, y1): (f64, f64),
        dash: f64,
        colour: &impl Color,
        width: f64,
    ) -> Result<(), PlotError> {
        let length = (x1 - x0).hypot(y1 - y0);
        let count = (length / (2.0 * dash)).ceil().max(1.0) as usize;
        for k in 0..count {
            let (a, b) = (
                (k as f64 * 2.0 * dash / length).min(1.0),
                ((k as f64 * 2.0 + 1.0) * dash / length).min(1.0),
            );
            let at = |f: f64| (x0 + (x1 - x0) * f, y0 + (y1 - y0) * f);
            self.line(&[at(a), at(b)], colour, width)?;
        }
        Ok(())
    }

    fn width(&self, text: &str, size: f64, bold: bool) -> f64 {
        ems(text, bold) * size
    }

    /// Text in em size `size`, its capitals centred on y.
    #[expect(
        clippy::too_many_arguments,
        reason = "a text needs place, size, weight, colour and anchor"
    )]
    fn text(
        &self,
        x: f64,
        y: f64,
        text: &str,
        size: f64,
        bold: bool,
        colour: RGBColor,
        at: At,
    ) -> Result<(), PlotError> {
        if text.is_empty() {
            return Ok(());
        }
        let font = if bold {
            FontStyle::Bold
        } else {
            FontStyle::Normal
        };
        // The font backend takes the height of a line for the size.
        let height = size * LINE_EMS * f64::from(SCALE);
        let mut style = TextStyle::from((FAMILY, height, font).into_font());
        style.color = colour.to_backend_color();
        let h = match at {
            At::Left => HPos::Left,
            At::Middle => HPos::Center,
            At::Right => HPos::Right,
        };
        style.pos = Pos::new(h, VPos::Center);
        let place = (px(x), px(y + size * self.drop));
        self.area
            .draw(&Text::new(text.to_owned(), place, style))
            .map_err(failed)
    }

    /// Text cut to a width, with an ellipsis where it was cut.
    fn fitted(&self, text: &str, size: f64, bold: bool, width: f64) -> String {
        if self.width(text, size, bold) <= width {
            return text.to_owned();
        }
        let letters: Vec<char> = text.chars().collect();
        let (mut fits, mut over) = (0, letters.len());
        while over - fits > 1 {
            let middle = usize::midpoint(fits, over);
            let part: String = letters[..middle].iter().collect();
            if self.width(&format!("{part}…"), size, bold) <= width {
                fits = middle;
            } else {
                over = middle;
            }
        }
        let part: String = letters[..fits].iter().collect();
        format!("{}…", part.trim_end())
    }

    /// The sign of a severity: a filled square, a triangle, an open circle.
    fn sign(
        &self,
        x: f64,
        y: f64,
        severity: super::model::Severity,
        r: f64,
    ) -> Result<(), PlotError> {
        use super::model::Severity;
        match severity {
            Severity::Fault => self.rect(x - r, y - r, x + r, y + r, &FAULT),
            Severity::Caution => self.polygon(
                &[
                    (x - r * 1.15, y + r),
                    (x, y - r * 1.1),
                    (x + r * 1.15, y + r),
                ],
                &CAUTION,
            ),
            Severity::Note => {
                let ring: Vec<_> = (0..=16)
                    .map(|k| {
                        let (s, c) = (f64::from(k) * std::f64::consts::PI / 8.0).sin_cos();
                        (x + c * r * 0.9, y + s * r * 0.9)
                    })
                    .collect();
                self.polygon(&ring, &PAPER)?;
                self.line(&ring, &NOTE, 1.0)
            }
        }
    }
}

fn colour(severity: super::model::Severity) -> RGBColor {
    use super::model::Severity;
    match severity {
        Severity::Fault => FAULT,
        Severity::Caution => CAUTION,
        Severity::Note => NOTE,
    }
}

fn faint(colour: RGBColor, share: f64) -> RGBAColor {
    colour.mix(share)
}

/// Text from a file, safe to draw: no control or direction marks, at most `most` characters.
fn plain(text: &str, most: usize) -> String {
    text.chars()
        .filter(|c| {
            !c.is_control()
                && !matches!(*c, '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}' | '\u{fffe}' | '\u{ffff}')
        })
        .take(most)
        .collect()
}

/// What a take is called: `27B take 3`, else the file's name.
pub fn take_name(take: &super::model::Take) -> String {
    match (take.scene.as_deref(), take.take.as_deref()) {
        (Some(scene), Some(number)) => format!("{} take {}", plain(scene, 24), plain(number, 12)),
        (Some(scene), None) => plain(scene, 24),
        (None, Some(number)) => format!("take {}", plain(number, 12)),
        (None, None) => take.files.first().map_or_else(
            || "take".to_owned(),
            |f| {
                let name = f.path.rsplit('/').next().unwrap_or(&f.path);
                plain(name, 40)
            },
        ),
    }
}

/// What a track is called: `4 Lav Anna`.
fn track_name(track: &super::model::Track) -> String {
    match track.name.as_deref().map(|n| plain(n.trim(), 60)) {
        Some(name) if !name.is_empty() => format!("{} {name}", track.index),
        _ => format!("{} (no name)", track.index),
    }
}

/// A file name that works everywhere: letters, digits, dot, dash and underscore.
pub(crate) fn file_name(text: &str) -> String {
    let name: String = text
        .chars()
        .take(60)
        .map(|c| {
            if c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | '_') {
                c
            } else {
                '_'
            }
        })
        .collect();
    name.trim_matches(['.', '_']).to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plain_areas_keep_their_colours_and_rare_ones_take_the_nearest() {
        let mut pixels = Vec::new();
        for RGBColor(r, g, b) in [PAPER, LANE, CLEAN, PEAK] {
            pixels.extend([r, g, b].repeat(50));
        }
        for grey in 0..=255u8 {
            pixels.extend_from_slice(&[grey, grey, grey / 2]);
        }
        let (palette, indexed) = paletted(&pixels);
        assert_eq!(palette.len(), 3 * 256);
        let shown = |at: usize| &palette[3 * usize::from(indexed[at])..][..3];
        for at in 0..200 {
            assert_eq!(shown(at), &pixels[3 * at..][..3]);
        }
        for at in 200..pixels.len() / 3 {
            let off = |k: usize| shown(at)[k].abs_diff(pixels[3 * at + k]);
            assert!((0..3).all(|k| off(k) <= 4), "{at}");
        }
    }
}
