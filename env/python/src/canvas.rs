//! A picture made of rectangles, lines and discs.

/// Red, green and blue, 0 to 255.
pub(crate) type Colour = [u8; 3];

/// Pixels, row by row from the top.
pub(crate) struct Canvas {
    width: usize,
    height: usize,
    pixels: Vec<u8>,
}

impl Canvas {
    pub(crate) fn new(width: usize, height: usize, colour: Colour) -> Canvas {
        Canvas { width, height, pixels: colour.repeat(width * height) }
    }

    pub(crate) fn into_pixels(self) -> Vec<u8> {
        self.pixels
    }

    fn dot(&mut self, x: usize, y: usize, colour: Colour) {
        if x < self.width && y < self.height {
            let at = 3 * (y * self.width + x);
            self.pixels[at..at + 3].copy_from_slice(&colour);
        }
    }

    /// The pixels whose corner lies in `from` to `to`, both as `(x, y)`; what lies outside the picture is left out.
    pub(crate) fn rectangle(&mut self, from: (f64, f64), to: (f64, f64), colour: Colour) {
        // A negative number becomes 0.
        let within =
            |low: f64, high: f64, most: usize| (low.round() as usize)..(high.round() as usize).min(most);
        for y in within(from.1, to.1, self.height) {
            for x in within(from.0, to.0, self.width) {
                self.dot(x, y, colour);
            }
        }
    }

    /// A filled circle.
    pub(crate) fn disc(&mut self, (x, y): (f64, f64), radius: f64, colour: Colour) {
        self.near((x - radius, y - radius), (x + radius, y + radius), colour, |px, py| {
            (px - x).powi(2) + (py - y).powi(2) <= radius * radius
        });
    }

    /// A line with round ends.
    pub(crate) fn line(&mut self, a: (f64, f64), b: (f64, f64), thickness: f64, colour: Colour) {
        let half = 0.5 * thickness;
        let (dx, dy) = (b.0 - a.0, b.1 - a.1);
        let squared = (dx * dx + dy * dy).max(1e-9);
        let low = (a.0.min(b.0) - half, a.1.min(b.1) - half);
        let high = (a.0.max(b.0) + half, a.1.max(b.1) + half);
        self.near(low, high, colour, |px, py| {
            let along = (((px - a.0) * dx + (py - a.1) * dy) / squared).clamp(0.0, 1.0);
            (px - a.0 - along * dx).powi(2) + (py - a.1 - along * dy).powi(2) <= half * half
        });
    }

    /// Pixels between two corners whose middle is `inside`.
    fn near(&mut self, low: (f64, f64), high: (f64, f64), colour: Colour, inside: impl Fn(f64, f64) -> bool) {
        let (right, below) =
            ((high.0.ceil() as usize).min(self.width), (high.1.ceil() as usize).min(self.height));
        for y in (low.1.floor() as usize)..below {
            for x in (low.0.floor() as usize)..right {
                if inside(x as f64 + 0.5, y as f64 + 0.5) {
                    self.dot(x, y, colour);
                }
            }
        }
    }
}
