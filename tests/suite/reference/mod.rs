//! Numbers against standards, closed forms and independent references.

mod noise;
