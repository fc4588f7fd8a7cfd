//! Noise of the sensors, drawn for many readings at a time.

use crate::vehicle::BATCH;
use rand::Rng;
use rand_chacha::ChaCha8Rng;

/// Encoder, battery, current, tilt.
const CHANNELS: usize = 4;
/// Readings that noise is drawn for at a time.
const DRAWN: usize = 32;

/// Noise for the readings to come, nearly standard normal. A reading that is computed a second time, because the
/// plan for it did not last, meets the same noise.
#[derive(Clone, Debug)]
pub(super) struct Noise {
    rng: ChaCha8Rng,
    /// Which sensors are fitted: the others need none.
    fitted: [bool; CHANNELS],
    normal: [[f32; DRAWN + BATCH]; CHANNELS],
    /// The next reading; the caller advances it.
    pub(super) next: usize,
    sampled: usize,
}

impl Noise {
    pub(super) fn new(rng: ChaCha8Rng, fitted: [bool; CHANNELS]) -> Noise {
        Noise { rng, fitted, normal: [[0.0; DRAWN + BATCH]; CHANNELS], next: 0, sampled: 0 }
    }

    /// Sees to it that there is noise for a whole batch of readings.
    #[inline]
    pub(super) fn provide(&mut self) {
        if self.next + BATCH > self.sampled {
            self.draw();
        }
    }

    #[inline(never)]
    fn draw(&mut self) {
        let left = self.sampled - self.next;
        let mut bytes = [[0; 4]; DRAWN];
        for (normal, _) in self.normal.iter_mut().zip(self.fitted).filter(|(_, fitted)| *fitted) {
            self.rng.fill_bytes(bytes.as_flattened_mut());
            normal.copy_within(self.next..self.sampled, 0);
            normal[left..left + DRAWN].copy_from_slice(&nearly_normal(&bytes));
        }
        (self.next, self.sampled) = (0, left + DRAWN);
    }

    /// The noise of one channel in the coming readings.
    #[inline]
    pub(super) fn of<const N: usize>(&self, channel: usize) -> &[f32; N] {
        self.normal[channel][self.next..].first_chunk().unwrap_or(&[0.0; N])
    }
}

/// Mean of the sum of four uniform bytes, and its standard deviation `sqrt(4 (256² - 1) / 12)`.
const BYTES_MEAN: f32 = 510.0;
const BYTES_SD: f32 = 147.800_54;

/// Four uniform bytes added up: close to a standard normal in steps of 0.007, never beyond ±3.45 (kurtosis 2.7
/// where a normal has 3). Sensor steps are coarser than what differs.
#[inline]
fn nearly_normal<const N: usize>(words: &[[u8; 4]; N]) -> [f32; N] {
    let mut numbers = [0.0; N];
    for i in 0..N {
        let bytes = u32::from_le_bytes(words[i]);
        let pairs = (bytes & 0x00ff_00ff) + ((bytes >> 8) & 0x00ff_00ff);
        let sum = (pairs & 0xffff) + (pairs >> 16);
        numbers[i] = (sum as i32 as f32 - BYTES_MEAN) * (1.0 / BYTES_SD);
    }
    numbers
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Seed, Stream};

    #[test]
    fn four_bytes_have_mean_zero_and_variance_one() {
        let at = |bytes: u32| f64::from(nearly_normal(&[bytes.to_le_bytes()])[0]);
        // Every value of a byte equally often, the four bytes independent: exact moments of the sum.
        let byte: Vec<f64> = (0..=255).map(|b| at(b) - at(0)).collect();
        let mean = byte.iter().sum::<f64>() / 256.0;
        let variance = byte.iter().map(|b| (b - mean).powi(2)).sum::<f64>() / 256.0;
        assert!((4.0 * mean + at(0)).abs() < 1e-6);
        assert!((4.0 * variance - 1.0).abs() < 1e-6, "{}", 4.0 * variance);
        assert_eq!(at(0x0102_0304), at(0x0a00_0000), "all four bytes count alike");
    }

    #[test]
    fn noise_comes_in_order_whether_it_is_used_or_not() {
        let noise = || Noise::new(Seed(3).stream(Stream::Sensors, 7), [true, false, true, true]);
        let (mut at_once, mut by_one) = (noise(), noise());
        for _ in 0..100 {
            at_once.provide();
            let planned = *at_once.of::<BATCH>(3);
            at_once.next += 5;
            for expected in &planned[..5] {
                by_one.provide();
                assert_eq!(by_one.of::<1>(3)[0], *expected);
                by_one.next += 1;
            }
        }
    }
}
