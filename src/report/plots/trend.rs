//! The trend of the day: each track name over the takes, in background, bandwidth and hits a minute.

use plotters::prelude::DrawingBackend;

use super::pair::number;
use super::{
    At, BODY, Canvas, FAULT, INK, LANE, LINE, Picture, PlotError, SOFT, Scene, picture, plain,
    take_name,
};
use crate::report::model::{Report, Trend, TrendPoint};

const NAME: f64 = 150.0;
const ROW: f64 = 62.0;
const TOP: f64 = 84.0;
const COLUMN: f64 = 340.0;
const PLOT: f64 = 282.0;
/// Track names in the picture; a day with more shows those with the most takes.
const MOST: usize = 24;

/// Draw the trend; `None` where the day has fewer than two takes of any track.
pub fn trend(report: &Report) -> Result<Option<Picture>, PlotError> {
    let mut rows: Vec<&Trend> = report
        .day
        .trends
        .iter()
        .filter(|t| t.points.len() >= 2)
        .collect();
    if rows.is_empty() {
        return Ok(None);
    }
    if rows.len() > MOST {
        let mut by_length = rows.clone();
        by_length.sort_by_key(|t| std::cmp::Reverse(t.points.len()));
        by_length.truncate(MOST);
        rows.retain(|t| by_length.iter().any(|kept| std::ptr::eq(*kept, *t)));
    }
    picture("day-trend".into(), &TrendScene { report, rows }).map(Some)
}

struct TrendScene<'a> {
    report: &'a Report,
    rows: Vec<&'a Trend>,
}

struct Measure {
    title: &'static str,
    value: fn(&TrendPoint) -> Option<f64>,
    low: f64,
    high: f64,
    marks: [(f64, &'static str); 2],
    /// Floor and bandwidth are joined dots, hits are bars from zero.
    bars: bool,
}

impl TrendScene<'_> {
    fn measures(&self) -> [Measure; 3] {
        let most_hits = self
            .rows
            .iter()
            .flat_map(|t| &t.points)
            .filter_map(|p| p.hits_per_min)
            .fold(2.0, f64::max);
        [
            Measure {
                title: "Background, dBFS",
                value: |p| p.noise_floor_dbfs,
                low: -90.0,
                high: -30.0,
                marks: [(-40.0, "−40"), (-80.0, "−80")],
                bars: false,
            },
            Measure {
                title: "Bandwidth, kHz",
                value: |p| p.bandwidth_hz.map(|hz| hz / 1000.0),
                low: 0.0,
                high: 24.0,
                marks: [(20.0, "20"), (5.0, "5")],
                bars: false,
            },
            Measure {
                title: "Hits a minute",
                value: |p| p.hits_per_min,
                low: 0.0,
                high: most_hits * 1.1,
                marks: [(most_hits, ""), (0.0, "0")],
                bars: true,
            },
        ]
    }

    /// Horizontal place of a take: its place among all takes of the report.
    fn share(&self, id: &str) -> Option<f64> {
        let at = self.report.takes.iter().position(|t| t.id == id)?;
        Some((at as f64 + 0.5) / self.report.takes.len() as f64)
    }

    fn cell<B: DrawingBackend>(
        &self,
        c: &Canvas<B>,
        trend: &Trend,
        m: &Measure,
        x0: f64,
        y0: f64,
    ) -> Result<(), PlotError> {
        let height = ROW - 12.0;
        c.rect(x0, y0, x0 + PLOT, y0 + height, &LANE)?;
        let y = |v: f64| {
            y0 + 3.0 + (height - 6.0) * (1.0 - ((v - m.low) / (m.high - m.low)).clamp(0.0, 1.0))
        };
        for (v, label) in &m.marks {
            c.line(&[(x0 - 3.0, y(*v)), (x0 + PLOT, y(*v))], &LINE, 0.5)?;
            let label = if label.is_empty() {
                number((v * 10.0).round() / 10.0)
            } else {
                (*label).to_owned()
            };
            c.text(x0 - 6.0, y(*v), &label, 11.0, false, SOFT, At::Right)?;
        }
        let dots: Vec<Option<(f64, f64)>> = trend
            .points
            .iter()
            .map(|p| Some((x0 + self.share(&p.take)? * PLOT, (m.value)(p)?)))
            .collect();
        if m.bars {
            for &(x, v) in dots.iter().flatten().filter(|d| d.1 > 0.0) {
                c.rect(x - 1.5, y(v), x + 1.5, y(0.0), &FAULT)?;
            }
            return Ok(());
        }
        let line: Vec<(f64, f64)> = dots.iter().flatten().map(|&(x, v)| (x, y(v))).collect();
        c.line(&line, &BODY, 1.0)?;
        let r = if line.len() > 60 { 1.0 } else { 2.0 };
        for &(x, y) in &line {
            c.rect(x - r, y - r, x + r, y + r, &INK)?;
        }
        Ok(())
    }
}

impl Scene for TrendScene<'_> {
    fn height(&self) -> u32 {
        (TOP + ROW * self.rows.len() as f64 + 34.0) as u32
    }

    fn draw<B: DrawingBackend>(&self, c: &Canvas<B>) -> Result<(), PlotError> {
        let takes = &self.report.takes;
        c.text(
            16.0,
            22.0,
            "Every track over the day",
            20.0,
            true,
            INK,
            At::Left,
        )?;
        let (first, last) = (takes.first().map(take_name), takes.last().map(take_name));
        let range = format!(
            "{} takes in order, {} to {}",
            takes.len(),
            first.unwrap_or_default(),
            last.unwrap_or_default()
        );
        c.text(16.0, 46.0, &range, 14.0, false, SOFT, At::Left)?;
        for (k, m) in self.measures().iter().enumerate() {
            let x = NAME + COLUMN * k as f64 + 40.0;
            c.text(x, TOP - 14.0, m.title, 13.0, true, INK, At::Left)?;
            for (i, trend) in self.rows.iter().enumerate() {
                let y = TOP + ROW * i as f64;
                if k == 0 {
                    let name = c.fitted(&plain(&trend.track_name, 60), 14.0, true, NAME - 6.0);
                    c.text(
                        16.0,
                        y + (ROW - 12.0) / 2.0,
                        &name,
                        14.0,
                        true,
                        INK,
                        At::Left,
                    )?;
                }
                self.cell(c, trend, m, x, y)?;
            }
            // The scenes under the last row tell where in the day one is.
            let bottom = TOP + ROW * self.rows.len() as f64;
            let mut free = f64::NEG_INFINITY;
            let mut scene = None;
            for (n, take) in takes.iter().enumerate() {
                if take.scene.as_deref() == scene || take.scene.is_none() {
                    continue;
                }
                scene = take.scene.as_deref();
                let at = x + n as f64 / takes.len() as f64 * PLOT;
                let label = plain(scene.unwrap_or_default(), 8);
                let wide = c.width(&label, 11.0, false);
                if at > free && at + wide <= x + PLOT + 10.0 {
                    c.line(&[(at, bottom - 10.0), (at, bottom - 6.0)], &SOFT, 0.5)?;
                    c.text(at, bottom + 3.0, &label, 11.0, false, SOFT, At::Left)?;
                    free = at + wide + 8.0;
                }
            }
        }
        Ok(())
    }
}
