//! SVG, written so that a picture looks the same everywhere and stays small.
//!
//! Places and lengths of texts are those of the shipped font. A picture cannot carry it (a day has hundreds), so each text tells
//! how long it is, and whatever font the viewer has is drawn to that length: texts stay apart, and stay text. Rectangles and
//! lines of one look that follow each other are one path: dashes and dots would be nine tenths of a file else.

use std::convert::Infallible;
use std::fmt::{Display, Write};

use minijinja::HtmlEscape;
use plotters_backend::text_anchor::HPos;
use plotters_backend::{
    BackendColor, BackendCoord, BackendStyle, BackendTextStyle, DrawingBackend, DrawingErrorKind,
    FontStyle,
};

use super::{LINE_EMS, SCALE, ems};

/// Half the height of a capital in the shipped font, in ems: from its middle down to the line it stands on.
const HALF_CAPITAL: f64 = 0.349;

type Drawn = Result<(), DrawingErrorKind<Infallible>>;

/// Writes SVG.
pub(super) struct Svg<'a> {
    out: &'a mut String,
    size: (u32, u32),
    /// What the open path looks like; empty while none is open.
    look: String,
}

impl<'a> Svg<'a> {
    /// Begin a picture of a size in pixels.
    pub(super) fn new(out: &'a mut String, size: (u32, u32)) -> Svg<'a> {
        let (width, height) = size;
        *out = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{}\" height=\"{}\" viewBox=\"0 0 {width} {height}\" \
             font-family=\"'IBM Plex Sans Condensed','Roboto Condensed','Arial Narrow',sans-serif\">\n",
            width / SCALE,
            height / SCALE,
        );
        let look = String::new();
        Svg { out, size, look }
    }

    /// One more piece of a path that looks like this.
    fn piece(&mut self, look: String, piece: impl Display) -> Drawn {
        if self.look != look {
            self.close();
            self.write(format_args!("<path {look} d=\""));
            self.look = look;
        }
        self.write(piece);
        Ok(())
    }

    fn close(&mut self) {
        if !self.look.is_empty() {
            self.look.clear();
            self.write("\"/>\n");
        }
    }

    fn write(&mut self, what: impl Display) {
        // Writing to a string cannot fail.
        let _ = write!(self.out, "{what}");
    }
}

/// Points as a path: the first from the corner of the picture, the others from the one before.
fn through(points: impl IntoIterator<Item = BackendCoord>) -> String {
    let mut path = String::new();
    let mut last = None;
    for (x, y) in points {
        let _ = match last {
            None => write!(path, "M{x},{y}l"),
            Some((lx, ly)) => write!(path, "{},{} ", x - lx, y - ly),
        };
        last = Some((x, y));
    }
    path.truncate(path.trim_end().len());
    path
}

fn paint(name: &str, colour: BackendColor) -> String {
    let (r, g, b) = colour.rgb;
    let mut paint = format!("{name}=\"#{r:02x}{g:02x}{b:02x}\"");
    if colour.alpha < 1.0 {
        let _ = write!(paint, " {name}-opacity=\"{}\"", colour.alpha);
    }
    paint
}

fn stroke<S: BackendStyle>(style: &S) -> String {
    let colour = paint("stroke", style.color());
    format!(
        "fill=\"none\" {colour} stroke-width=\"{}\"",
        style.stroke_width()
    )
}

impl DrawingBackend for Svg<'_> {
    type ErrorType = Infallible;

    fn get_size(&self) -> (u32, u32) {
        self.size
    }

    fn ensure_prepared(&mut self) -> Drawn {
        Ok(())
    }

    fn present(&mut self) -> Drawn {
        self.close();
        self.write("</svg>\n");
        Ok(())
    }

    fn draw_pixel(&mut self, (x, y): BackendCoord, colour: BackendColor) -> Drawn {
        self.piece(paint("fill", colour), format_args!("M{x},{y}h1v1h-1z"))
    }

    fn draw_line<S: BackendStyle>(
        &mut self,
        from: BackendCoord,
        to: BackendCoord,
        style: &S,
    ) -> Drawn {
        self.draw_path([from, to], style)
    }

    fn draw_path<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(
        &mut self,
        points: I,
        style: &S,
    ) -> Drawn {
        self.piece(stroke(style), through(points))
    }

    /// Both corners belong to the rectangle, as they do in a bitmap.
    fn draw_rect<S: BackendStyle>(
        &mut self,
        (x0, y0): BackendCoord,
        (x1, y1): BackendCoord,
        style: &S,
        fill: bool,
    ) -> Drawn {
        let look = if fill {
            paint("fill", style.color())
        } else {
            stroke(style)
        };
        let (wide, high) = (x1 - x0 + 1, y1 - y0 + 1);
        self.piece(look, format_args!("M{x0},{y0}h{wide}v{high}h-{wide}z"))
    }

    fn fill_polygon<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(
        &mut self,
        points: I,
        style: &S,
    ) -> Drawn {
        // By itself: where two in one path go round different ways, they would cut holes into each other.
        self.close();
        self.piece(paint("fill", style.color()), through(points))?;
        self.close();
        Ok(())
    }

    fn draw_text<T: BackendTextStyle>(
        &mut self,
        text: &str,
        style: &T,
        (x, y): BackendCoord,
    ) -> Drawn {
        self.close();
        let size = style.size() / LINE_EMS;
        let bold = matches!(style.style(), FontStyle::Bold);
        let anchor = match style.anchor().h_pos {
            HPos::Left => "",
            HPos::Center => " text-anchor=\"middle\"",
            HPos::Right => " text-anchor=\"end\"",
        };
        let weight = if bold { " font-weight=\"600\"" } else { "" };
        self.write(format_args!(
            "<text x=\"{x}\" y=\"{:.0}\"{anchor} font-size=\"{size:.0}\"{weight} {} xml:space=\"preserve\" \
             lengthAdjust=\"spacingAndGlyphs\" textLength=\"{:.0}\">{}</text>\n",
            f64::from(y) + HALF_CAPITAL * size,
            paint("fill", style.color()),
            ems(text, bold) * size,
            HtmlEscape(text),
        ));
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use plotters::prelude::{BLACK, Color, RED};

    use super::*;

    #[test]
    fn pieces_of_one_look_are_one_path_and_polygons_stay_alone() {
        let mut out = String::new();
        let mut svg = Svg::new(&mut out, (20, 10));
        svg.draw_rect((1, 2), (3, 3), &BLACK.filled(), true)
            .unwrap();
        svg.draw_rect((5, 2), (7, 3), &BLACK.filled(), true)
            .unwrap();
        svg.draw_path([(1, 1), (4, 1), (4, 0)], &RED.mix(0.5))
            .unwrap();
        svg.draw_line((5, 1), (9, 1), &RED.mix(0.5)).unwrap();
        for _ in 0..2 {
            let corners = [(1, 1), (4, 1), (4, 5)];
            svg.fill_polygon(corners, &BLACK).unwrap();
        }
        svg.present().unwrap();
        let drawn: Vec<&str> = out.lines().skip(1).collect();
        assert_eq!(
            drawn,
            [
                "<path fill=\"#000000\" d=\"M1,2h3v2h-3zM5,2h3v2h-3z\"/>",
                "<path fill=\"none\" stroke=\"#ff0000\" stroke-opacity=\"0.5\" stroke-width=\"1\" d=\"M1,1l3,0 0,-1M5,1l4,0\"/>",
                "<path fill=\"#000000\" d=\"M1,1l3,0 0,4\"/>",
                "<path fill=\"#000000\" d=\"M1,1l3,0 0,4\"/>",
                "</svg>",
            ]
        );
    }
}
