//! What is kept of an analysed take: enough to make every output again, and to judge the day again, without its audio.

use serde::{Deserialize, Serialize};

use super::drawing::{TakeDrawing, drawing};
use super::{build, model};
use crate::judge::passages::Curve;
use crate::pipeline::Analysis;

/// One take after analysis, before the day is judged.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Kept {
    /// Its part of the report, with the id it has on its own.
    report: model::Take,
    /// What is said, apart: the report does not write it.
    curves: Vec<Curve>,
    /// What pictures and page draw from; `None` where neither was asked for.
    drawing: Option<TakeDrawing>,
}

impl Kept {
    /// Of an analysed take; `drawn`: with what pictures and page need.
    pub fn new(analysis: &Analysis, drawn: bool) -> Kept {
        let mut report = build::take(analysis);
        let drawing = drawn.then(|| drawing(analysis, &report));
        Kept {
            curves: std::mem::take(&mut report.curves),
            report,
            drawing,
        }
    }

    /// Its part of the report, whole again, and the drawing data.
    pub fn unpack(self) -> (model::Take, Option<TakeDrawing>) {
        let Kept {
            mut report,
            curves,
            drawing,
        } = self;
        report.curves = curves;
        (report, drawing)
    }

    /// Its part of the report, without what is said.
    pub fn report(&self) -> &model::Take {
        &self.report
    }
}
