//! Points for a picture from a stream of any length: every second one is dropped whenever there are too many.

/// A series of bounded length.
#[derive(Clone, Debug)]
pub struct Decimator {
    /// Points kept.
    pub points: Vec<(f64, f64)>,
    every: u64,
    met: u64,
    most: usize,
}

impl Decimator {
    /// At most `most` points.
    #[must_use]
    pub fn new(most: usize) -> Decimator {
        Decimator { points: Vec::new(), every: 1, met: 0, most: most.max(2) }
    }

    /// Takes a point.
    pub fn push(&mut self, point: (f64, f64)) {
        if self.met.is_multiple_of(self.every) {
            self.points.push(point);
            if self.points.len() >= self.most {
                let mut index = 0;
                self.points.retain(|_| {
                    index += 1;
                    index % 2 == 1
                });
                self.every *= 2;
            }
        }
        self.met += 1;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_stream_keeps_its_ends_and_few_points() {
        let mut thin = Decimator::new(100);
        (0..100_000).for_each(|i| thin.push((f64::from(i), 0.0)));
        assert!(thin.points.len() < 100 && thin.points.len() > 40);
        assert!(thin.points[0].0 == 0.0 && thin.points.last().is_some_and(|p| p.0 > 95_000.0));
    }
}
