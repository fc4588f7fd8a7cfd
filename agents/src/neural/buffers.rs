//! Working memory that is used again. Memory that is fresh from the system is cleared twice before it is used: by the
//! system and by the program.

use std::ops::{Deref, DerefMut};
use std::sync::{Arc, Mutex};

/// Buffers at rest. Copies share them.
#[derive(Clone, Debug, Default)]
pub(crate) struct Buffers(Arc<Mutex<Vec<Vec<f32>>>>);

/// A buffer at work; goes back when it is dropped.
#[derive(Debug)]
pub(crate) struct Buffer {
    /// At least as many as are asked for: what is longer than that need not be cleared the next time.
    values: Vec<f32>,
    length: usize,
    home: Buffers,
}

impl Buffers {
    /// A buffer of this length, with whatever it last held.
    pub(crate) fn take(&self, length: usize) -> Buffer {
        let mut values = self.0.lock().ok().and_then(|mut free| free.pop()).unwrap_or_default();
        values.resize(values.len().max(length), 0.0);
        Buffer { values, length, home: self.clone() }
    }
}

impl Drop for Buffer {
    fn drop(&mut self) {
        if let Ok(mut free) = self.home.0.lock() {
            free.push(std::mem::take(&mut self.values));
        }
    }
}

impl Deref for Buffer {
    type Target = [f32];

    fn deref(&self) -> &[f32] {
        &self.values[..self.length]
    }
}

impl DerefMut for Buffer {
    fn deref_mut(&mut self) -> &mut [f32] {
        &mut self.values[..self.length]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_buffer_comes_back_and_is_used_again() {
        let buffers = Buffers::default();
        let mut first = buffers.take(100);
        first.fill(1.0);
        let place = first.as_ptr();
        let second = buffers.take(100);
        assert!(second.as_ptr() != place && second.iter().all(|x| *x == 0.0));
        drop(first);
        let again = buffers.take(60);
        assert_eq!((again.as_ptr(), again.len()), (place, 60));
    }
}
