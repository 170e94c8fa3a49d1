//! The plot as PNG, for reports and mails that take no SVG: draws what `plot.rs` writes and nothing else.
//!
//! A full SVG renderer needs fonts of the machine it runs on and more code than the rest of this program. The plot uses four
//! elements (`rect`, `path` of straight lines, `circle`, `text`), so reading those back keeps both pictures the same by
//! construction. Letters are an 8 × 8 bitmap: legible, not pretty; the SVG is for print.

use crate::error::{Error, Fault};
use font8x8::{BASIC_FONTS, LATIN_FONTS, UnicodeFonts};

type Colour = [u8; 3];

/// Pixels.
struct Picture {
    width: usize,
    height: usize,
    pixels: Vec<u8>,
}

/// Draws an SVG made by [`super::plot`].
///
/// # Errors
/// The picture cannot be encoded: a fault of ours.
pub fn png(svg: &str) -> Result<Vec<u8>, Error> {
    let mut picture: Option<Picture> = None;
    let mut rest = svg;
    while let Some(open) = rest.find('<') {
        rest = rest.get(open + 1..).unwrap_or_default();
        let end = rest.find('>').unwrap_or(rest.len());
        let (tag, after) = rest.split_at(end);
        let name = tag.split([' ', '/']).next().unwrap_or_default();
        let number = |key: &str| attribute(tag, key).and_then(|v| v.parse::<f64>().ok());
        if name == "svg" {
            let side = |key: &str| number(key).filter(|n| (1.0..=8192.0).contains(n)).unwrap_or(1.0).ceil() as usize;
            let (width, height) = (side("width"), side("height"));
            picture = Some(Picture { width, height, pixels: vec![255; 3 * width * height] });
        }
        if let Some(picture) = &mut picture {
            let colour = |key: &str| attribute(tag, key).and_then(hex);
            match name {
                "rect" => picture.fill(colour("fill").unwrap_or([255; 3])),
                "path" => picture.path(attribute(tag, "d").unwrap_or_default(), colour("stroke").unwrap_or([0; 3])),
                "circle" => {
                    let (x, y, r) = (number("cx"), number("cy"), number("r"));
                    if let (Some(x), Some(y), Some(r)) = (x, y, r) {
                        let stroke = colour("stroke").or(colour("fill")).unwrap_or([0; 3]);
                        picture.circle(x, y, r, stroke, attribute(tag, "fill") != Some("none"));
                    }
                }
                "text" => {
                    let text = unescape(after.get(1..).and_then(|t| t.split('<').next()).unwrap_or_default());
                    let large = number("font-size").is_some_and(|size| size >= 16.0);
                    let ink = colour("fill").unwrap_or([0x24, 0x31, 0x3c]);
                    let at = (number("x").unwrap_or(0.0), number("y").unwrap_or(0.0));
                    picture.text(at, attribute(tag, "text-anchor"), &text, ink, if large { 2 } else { 1 });
                }
                _ => {}
            }
        }
        rest = after;
    }
    let picture = picture.unwrap_or(Picture { width: 1, height: 1, pixels: vec![255; 3] });
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, picture.width as u32, picture.height as u32);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    let ours =
        |error: png::EncodingError| Error::new(Fault::Internal, "the plot cannot be written as PNG").because(error);
    let mut writer = encoder.write_header().map_err(ours)?;
    writer.write_image_data(&picture.pixels).map_err(ours)?;
    writer.finish().map_err(ours)?;
    Ok(bytes)
}

fn attribute<'t>(tag: &'t str, key: &str) -> Option<&'t str> {
    let from = tag.find(&format!(" {key}=\""))? + key.len() + 3;
    tag.get(from..)?.split('"').next()
}

fn hex(text: &str) -> Option<Colour> {
    let digits = text.strip_prefix('#')?;
    let value = u32::from_str_radix(digits, 16).ok().filter(|_| digits.len() == 6)?;
    Some([(value >> 16) as u8, (value >> 8) as u8, value as u8])
}

fn unescape(text: &str) -> String {
    text.replace("&lt;", "<").replace("&gt;", ">").replace("&quot;", "\"").replace("&amp;", "&")
}

impl Picture {
    fn set(&mut self, x: i64, y: i64, colour: Colour) {
        if (0..self.width as i64).contains(&x) && (0..self.height as i64).contains(&y) {
            let at = 3 * (y as usize * self.width + x as usize);
            if let Some(pixel) = self.pixels.get_mut(at..at + 3) {
                pixel.copy_from_slice(&colour);
            }
        }
    }

    fn fill(&mut self, colour: Colour) {
        self.pixels.chunks_exact_mut(3).for_each(|pixel| pixel.copy_from_slice(&colour));
    }

    /// A straight line, a pixel wide.
    fn line(&mut self, from: (f64, f64), to: (f64, f64), colour: Colour) {
        let (dx, dy) = (to.0 - from.0, to.1 - from.1);
        let steps = dx.abs().max(dy.abs()).ceil().clamp(1.0, 20_000.0);
        for step in 0..=steps as i64 {
            let share = step as f64 / steps;
            self.set((from.0 + share * dx).round() as i64, (from.1 + share * dy).round() as i64, colour);
        }
    }

    /// M, L, H, V and v: what the plot is made of.
    fn path(&mut self, d: &str, colour: Colour) {
        let mut at = (0.0, 0.0);
        let starts: Vec<usize> =
            d.char_indices().filter(|(_, c)| matches!(c, 'M' | 'L' | 'H' | 'V' | 'v')).map(|(i, _)| i).collect();
        for (n, start) in starts.iter().enumerate() {
            let end = starts.get(n + 1).copied().unwrap_or(d.len());
            let Some(piece) = d.get(*start..end) else { continue };
            let numbers: Vec<f64> =
                piece.get(1..).unwrap_or_default().split_whitespace().filter_map(|t| t.parse().ok()).collect();
            let to = match (piece.chars().next(), numbers.as_slice()) {
                (Some('M' | 'L'), [x, y]) => (*x, *y),
                (Some('H'), [x]) => (*x, at.1),
                (Some('V'), [y]) => (at.0, *y),
                (Some('v'), [dy]) => (at.0, at.1 + dy),
                _ => continue,
            };
            if !piece.starts_with('M') {
                self.line(at, to, colour);
            }
            at = to;
        }
    }

    fn circle(&mut self, x: f64, y: f64, r: f64, colour: Colour, filled: bool) {
        let reach = r.ceil() as i64 + 1;
        for dy in -reach..=reach {
            for dx in -reach..=reach {
                let distance = ((dx * dx + dy * dy) as f64).sqrt();
                if distance <= r + 0.3 && (filled || distance >= r - 0.7) {
                    self.set(x.round() as i64 + dx, y.round() as i64 + dy, colour);
                }
            }
        }
    }

    fn text(&mut self, at: (f64, f64), anchor: Option<&str>, text: &str, ink: Colour, size: i64) {
        // Narrower than its cell, as the drawing was laid out for a proportional letter.
        let advance = 7 * size;
        let width = advance * text.chars().count() as i64;
        let from = at.0.round() as i64
            - match anchor {
                Some("middle") => width / 2,
                Some("end") => width,
                _ => 0,
            };
        // The base line is a pixel above the cell's lower edge.
        let top = at.1.round() as i64 - 7 * size;
        for (n, letter) in (0..).zip(text.chars()) {
            let glyph = BASIC_FONTS.get(letter).or_else(|| LATIN_FONTS.get(letter)).or_else(|| BASIC_FONTS.get('?'));
            for (row, bits) in (0..).zip(glyph.unwrap_or_default()) {
                for column in (0..8).filter(|column| bits >> column & 1 == 1) {
                    for y in 0..size {
                        for x in 0..size {
                            self.set(from + n * advance + column * size + x, top + row * size + y, ink);
                        }
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_drawn_is_in_the_picture() {
        let svg = r##"<svg width="40" height="20"><rect width="40" height="20" fill="#fcfcfb"/><path d="M2 3H30" stroke="#ff0000"/><text x="4" y="16" fill="#0000ff">×1</text></svg>"##;
        let bytes = png(svg).unwrap();
        let mut reader = png::Decoder::new(std::io::Cursor::new(bytes)).read_info().unwrap();
        let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
        let info = reader.next_frame(&mut pixels).unwrap();
        assert_eq!((info.width, info.height), (40, 20));
        let at = |x: usize, y: usize| &pixels[3 * (40 * y + x)..3 * (40 * y + x) + 3];
        assert_eq!((at(0, 0), at(10, 3), at(35, 3)), (&[252, 252, 251][..], &[255, 0, 0][..], &[252, 252, 251][..]));
        assert!(pixels.chunks(3).any(|p| p == [0, 0, 255]), "letters are drawn");
    }
}
