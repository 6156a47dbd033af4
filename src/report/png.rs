//! SVG to PNG, and the small PNG that stands inside a picture.

use std::sync::{Arc, OnceLock};

use resvg::{tiny_skia, usvg};

use crate::report::picture::{PictureError, style};

/// Most px on a side of a PNG.
const MOST_PX: u64 = 10_000;

/// Renders an SVG, as made by [`picture`](crate::report::picture), to the bytes of a PNG file.
///
/// `scale` multiplies the size as it stands in the SVG: 1.0 gives pictures 900 px wide,
/// 2.0 is fit for print. Text is set in the built-in font, whatever fonts the machine has.
///
/// # Errors
/// [`PictureError`] for text that is no SVG, for more than 10 000 px on a side, and for a scale
/// that is not a positive number (as [`PictureError::Png`]).
pub fn svg_to_png(svg: &str, scale: f32) -> Result<Vec<u8>, PictureError> {
    if !(scale.is_finite() && scale > 0.0) {
        return Err(PictureError::Png(format!(
            "the scale {scale} is not a positive number"
        )));
    }
    let options = usvg::Options {
        fontdb: fonts(),
        font_family: "DejaVu Sans".to_owned(),
        ..usvg::Options::default()
    };
    let tree = usvg::Tree::from_str(svg, &options).map_err(|e| PictureError::Svg(e.to_string()))?;
    let side = |length: f32| f64::from(length * scale).round().max(1.0) as u64;
    let (width, height) = (side(tree.size().width()), side(tree.size().height()));
    let too_large = PictureError::TooLarge {
        width,
        height,
        most: MOST_PX,
    };
    if width > MOST_PX || height > MOST_PX {
        return Err(too_large);
    }
    let mut pixels = tiny_skia::Pixmap::new(width as u32, height as u32).ok_or(too_large)?;
    let transform = tiny_skia::Transform::from_scale(scale, scale);
    resvg::render(&tree, transform, &mut pixels.as_mut());
    pixels
        .encode_png()
        .map_err(|e| PictureError::Png(e.to_string()))
}

/// The built-in fonts, and none of the machine's, so that every machine draws the same.
fn fonts() -> Arc<usvg::fontdb::Database> {
    static FONTS: OnceLock<Arc<usvg::fontdb::Database>> = OnceLock::new();
    let made = FONTS.get_or_init(|| {
        let mut fonts = usvg::fontdb::Database::new();
        fonts.load_font_data(style::REGULAR.to_vec());
        fonts.load_font_data(style::BOLD.to_vec());
        fonts.set_sans_serif_family("DejaVu Sans");
        Arc::new(fonts)
    });
    Arc::clone(made)
}

/// A PNG of one byte per px, each the number of a colour (at most 256).
pub(in crate::report) fn palette_png(
    width: u32,
    height: u32,
    shades: &[u8],
    colours: &[[u8; 3]],
) -> Result<Vec<u8>, PictureError> {
    let failed = |e: png::EncodingError| PictureError::Png(e.to_string());
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, width, height);
    encoder.set_color(png::ColorType::Indexed);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_palette(colours.concat());
    encoder.set_compression(png::Compression::High);
    let mut writer = encoder.write_header().map_err(failed)?;
    writer.write_image_data(shades).map_err(failed)?;
    writer.finish().map_err(failed)?;
    Ok(bytes)
}

/// Base64 with padding (RFC 4648, section 4).
pub(in crate::report) fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for chunk in bytes.chunks(3) {
        let byte = |i: usize| u32::from(chunk.get(i).copied().unwrap_or(0));
        let bits = byte(0) << 16 | byte(1) << 8 | byte(2);
        for i in 0..4 {
            if i <= chunk.len() {
                let letter = LETTERS[(bits >> (18 - 6 * i) & 63) as usize];
                text.push(char::from(letter));
            } else {
                text.push('=');
            }
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base64_matches_the_vectors_of_rfc_4648() {
        for (plain, coded) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }

    #[test]
    fn what_is_no_svg_or_too_large_is_refused() {
        assert!(matches!(
            svg_to_png("hello", 1.0),
            Err(PictureError::Svg(_))
        ));
        let svg = "<svg xmlns='http://www.w3.org/2000/svg' width='900' height='10'/>";
        assert!(matches!(
            svg_to_png(svg, 20.0),
            Err(PictureError::TooLarge { .. })
        ));
        assert!(matches!(
            svg_to_png(svg, f32::NAN),
            Err(PictureError::Png(_))
        ));
        assert!(matches!(svg_to_png(svg, -1.0), Err(PictureError::Png(_))));
    }
}
