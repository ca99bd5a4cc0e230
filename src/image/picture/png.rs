//! PNG (ISO/IEC 15948), black on white, one bit a pixel; title and description go along as text.

use std::convert::Infallible;
use std::io;

use embedded_graphics::Drawable;
use embedded_graphics::Pixel;
use embedded_graphics::draw_target::DrawTarget;
use embedded_graphics::geometry::{OriginDimensions, Point, Size};
use embedded_graphics::mono_font::MonoTextStyle;
use embedded_graphics::mono_font::iso_8859_1::{FONT_9X18, FONT_9X18_BOLD};
use embedded_graphics::pixelcolor::BinaryColor;
use embedded_graphics::text::{Baseline, Text};

use super::hatch::TILE;
use super::{Item, Picture};

/// Height of the font's characters in pixels.
const FONT_HEIGHT: u32 = 18;

impl Picture {
    /// The drawing as PNG. Characters that the font has not (it has those of ISO 8859-1) are shown as `?`;
    /// the text that goes along has them all.
    ///
    /// # Errors
    /// `InvalidInput` or the like where it is larger than a PNG can be.
    pub fn png(&self) -> io::Result<Vec<u8>> {
        let mut canvas = Canvas::new(self.width, self.height);
        for item in &self.items {
            canvas.draw(item);
        }
        let mut bytes = Vec::new();
        let mut encoder = png::Encoder::new(&mut bytes, self.width, self.height);
        encoder.set_color(png::ColorType::Grayscale);
        encoder.set_depth(png::BitDepth::One);
        for (keyword, text) in [("Title", &self.title), ("Description", &self.description)] {
            encoder.add_itxt_chunk(keyword.to_owned(), text.clone())?;
        }
        let mut writer = encoder.write_header()?;
        writer.write_image_data(&canvas.bits)?;
        writer.finish()?;
        Ok(bytes)
    }
}

/// Pixels, one bit each, 1 is white; rows begin at whole bytes, the leftmost pixel in the highest bit.
struct Canvas {
    width: u32,
    height: u32,
    row_bytes: usize,
    bits: Vec<u8>,
}

impl Canvas {
    fn new(width: u32, height: u32) -> Self {
        let row_bytes = width.div_ceil(8) as usize;
        Self {
            width,
            height,
            row_bytes,
            bits: vec![0xFF; row_bytes * height as usize],
        }
    }

    fn ink(&mut self, x: u32, y: u32) {
        if x >= self.width || y >= self.height {
            return;
        }
        let at = y as usize * self.row_bytes + (x / 8) as usize;
        if let Some(byte) = self.bits.get_mut(at) {
            *byte &= !(0x80 >> (x % 8));
        }
    }

    fn draw(&mut self, item: &Item) {
        match item {
            Item::Words { x, y, text, bold } => self.words(*x, *y, text, *bold),
            Item::Stroke {
                x,
                y,
                width,
                height,
            } => self.fill((*x, *y), (*width, *height), |_, _| true),
            Item::Dot { x, y, radius } => {
                let corner = (x.saturating_sub(*radius), y.saturating_sub(*radius));
                let edge = 2 * radius + 1;
                self.fill(corner, (edge, edge), |at_x, at_y| {
                    at_x.abs_diff(*x).pow(2) + at_y.abs_diff(*y).pow(2) <= radius.pow(2)
                });
            }
            Item::Area {
                x,
                y,
                width,
                height,
                hatch,
            } => {
                let rows = hatch.rows();
                let hatched = |x: u32, y: u32| {
                    let row = rows.get((y % TILE) as usize);
                    row.is_some_and(|row| row & 1 << (x % TILE) != 0)
                };
                let (right, bottom) = (x + width - 1, y + height - 1);
                let edge = |at_x, at_y| at_x == *x || at_x == right || at_y == *y || at_y == bottom;
                self.fill((*x, *y), (*width, *height), |x, y| {
                    edge(x, y) || hatched(x, y)
                });
            }
        }
    }

    fn fill(
        &mut self,
        (x, y): (u32, u32),
        (width, height): (u32, u32),
        inked: impl Fn(u32, u32) -> bool,
    ) {
        for at_y in y..y.saturating_add(height) {
            for at_x in x..x.saturating_add(width) {
                if inked(at_x, at_y) {
                    self.ink(at_x, at_y);
                }
            }
        }
    }

    fn words(&mut self, x: u32, y: u32, text: &str, bold: bool) {
        let font = if bold { &FONT_9X18_BOLD } else { &FONT_9X18 };
        let style = MonoTextStyle::new(font, BinaryColor::On);
        let place = |at: u32| i32::try_from(at).unwrap_or(i32::MAX);
        let corner = Point::new(place(x), place(y.saturating_sub(FONT_HEIGHT / 2)));
        let Ok(_) = Text::with_baseline(text, corner, style, Baseline::Top).draw(self);
    }
}

impl OriginDimensions for Canvas {
    fn size(&self) -> Size {
        Size::new(self.width, self.height)
    }
}

impl DrawTarget for Canvas {
    type Color = BinaryColor;
    type Error = Infallible;

    fn draw_iter<I>(&mut self, pixels: I) -> Result<(), Infallible>
    where
        I: IntoIterator<Item = Pixel<BinaryColor>>,
    {
        for Pixel(at, colour) in pixels {
            if let (true, Ok(x), Ok(y)) = (colour.is_on(), u32::try_from(at.x), u32::try_from(at.y))
            {
                self.ink(x, y);
            }
        }
        Ok(())
    }
}
