//! From judged takes to bytes: JSON, pictures, tables, the page, the list on the terminal.
//!
//! Every format is a function from results to bytes; writing them to a folder is the last step and stands in [`mod@write`].

pub mod build;
pub mod clips;
pub mod clock;
pub mod drawing;
pub mod html;
pub mod json;
pub mod kept;
pub mod markers;
pub mod model;
pub mod names;
mod noise;
pub mod pairs;
pub mod part;
pub mod plots;
pub mod rig;
pub mod run;
pub mod schema;
pub mod table;
pub mod terminal;
pub mod words;
pub mod write;
