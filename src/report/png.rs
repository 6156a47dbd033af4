//! SVG to PNG.
