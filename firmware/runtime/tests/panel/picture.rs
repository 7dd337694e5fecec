//! A display that is a picture: dots that are lit, and a PNG of them four times as large.

use std::path::PathBuf;

use embedded_graphics::Pixel;
use embedded_graphics::draw_target::DrawTarget;
use embedded_graphics::geometry::{OriginDimensions, Size};
use embedded_graphics::pixelcolor::BinaryColor;

pub const WIDTH: usize = 128;
pub const HEIGHT: usize = 64;
const SCALE: usize = 4;

/// A display that notes whether anything was drawn beside it.
#[derive(Clone, PartialEq, Eq)]
pub struct Dots {
    pub lit: Vec<bool>,
    pub height: usize,
    pub beside: bool,
}

impl Dots {
    pub fn new(height: usize) -> Self {
        Self { lit: vec![false; WIDTH * height], height, beside: false }
    }
}

impl OriginDimensions for Dots {
    fn size(&self) -> Size {
        Size::new(WIDTH as u32, self.height as u32)
    }
}

impl DrawTarget for Dots {
    type Color = BinaryColor;
    type Error = core::convert::Infallible;

    fn draw_iter<I: IntoIterator<Item = Pixel<BinaryColor>>>(&mut self, pixels: I) -> Result<(), Self::Error> {
        for Pixel(at, color) in pixels {
            match (usize::try_from(at.x), usize::try_from(at.y)) {
                (Ok(x), Ok(y)) if x < WIDTH && y < self.height => self.lit[y * WIDTH + x] = color.is_on(),
                _ => self.beside = true,
            }
        }
        Ok(())
    }
}

fn path(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../docs/book/pictures/panel").join(format!("{name}.png"))
}

fn write(name: &str, dots: &Dots) {
    let file = std::io::BufWriter::new(std::fs::File::create(path(name)).unwrap());
    let mut encoder = png::Encoder::new(file, (WIDTH * SCALE) as u32, (HEIGHT * SCALE) as u32);
    encoder.set_color(png::ColorType::Grayscale);
    encoder.set_depth(png::BitDepth::One);
    let bytes_across = WIDTH * SCALE / 8;
    let mut data = vec![0u8; bytes_across * HEIGHT * SCALE];
    for y in 0..HEIGHT * SCALE {
        for x in 0..WIDTH * SCALE {
            if dots.lit[y / SCALE * WIDTH + x / SCALE] {
                data[y * bytes_across + x / 8] |= 0x80 >> (x % 8);
            }
        }
    }
    encoder.write_header().unwrap().write_image_data(&data).unwrap();
}

fn read(name: &str) -> Option<Dots> {
    let file = std::fs::File::open(path(name)).ok()?;
    let mut reader = png::Decoder::new(std::io::BufReader::new(file)).read_info().unwrap();
    let mut data = vec![0; reader.output_buffer_size().unwrap()];
    let info = reader.next_frame(&mut data).unwrap();
    assert_eq!((info.width as usize, info.height as usize), (WIDTH * SCALE, HEIGHT * SCALE));
    let mut dots = Dots::new(HEIGHT);
    for y in 0..HEIGHT {
        for x in 0..WIDTH {
            let (px, py) = (x * SCALE, y * SCALE);
            dots.lit[y * WIDTH + x] = data[py * info.line_size + px / 8] & (0x80 >> (px % 8)) != 0;
        }
    }
    Some(dots)
}

/// Compares with the picture of that name in the handbook; with `UPDATE_PANEL=1` writes it anew.
pub fn compare(name: &str, dots: &Dots) {
    assert!(!dots.beside, "{name}: something is drawn beside the display");
    if std::env::var_os("UPDATE_PANEL").is_some() {
        std::fs::create_dir_all(path(name).parent().unwrap()).unwrap();
        return write(name, dots);
    }
    let golden = read(name).unwrap_or_else(|| panic!("{name}: no picture; UPDATE_PANEL=1 writes it, then look at it"));
    assert!(golden.lit == dots.lit, "{name}: the picture differs; UPDATE_PANEL=1 writes it anew, then look at it");
}
