//! Pictures as SVG.
