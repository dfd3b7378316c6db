//! Vectors that begin where a cache line does, so that each of their panels is read in one piece.
//!
//! The allocator only sees to 16 bytes: then every load of the widest registers touches two cache lines.

use aligned_vec::{AVec, ConstAlign};
use std::ops::{Deref, DerefMut};

/// Bytes of a cache line, and of the widest registers.
const LINE: usize = 64;

/// A vector that begins where a cache line does.
#[derive(Debug, Clone)]
pub struct Aligned<T>(AVec<T, ConstAlign<LINE>>);

impl<T> Aligned<T> {
    /// Removes all elements.
    pub fn clear(&mut self) {
        self.0.clear();
    }

    /// Appends one.
    pub fn push(&mut self, value: T) {
        self.0.push(value);
    }
}

impl<T: Clone> Aligned<T> {
    /// Copies of a value, `[len]`.
    pub fn filled(value: T, len: usize) -> Self {
        let mut filled = Aligned::default();
        filled.resize(len, value);
        filled
    }

    /// Makes it longer with copies of a value, or shorter.
    pub fn resize(&mut self, len: usize, value: T) {
        self.0.truncate(len);
        self.0.reserve(len - self.0.len());
        while self.0.len() < len {
            self.0.push(value.clone());
        }
    }
}

impl<T> Default for Aligned<T> {
    fn default() -> Self {
        Aligned(AVec::new(LINE))
    }
}

impl<T> FromIterator<T> for Aligned<T> {
    fn from_iter<I: IntoIterator<Item = T>>(iter: I) -> Self {
        Aligned(AVec::from_iter(LINE, iter))
    }
}

impl<T> Deref for Aligned<T> {
    type Target = [T];

    #[inline(always)]
    fn deref(&self) -> &[T] {
        &self.0
    }
}

impl<T> DerefMut for Aligned<T> {
    #[inline(always)]
    fn deref_mut(&mut self) -> &mut [T] {
        &mut self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_panel_is_in_one_cache_line_however_the_vector_came_about() {
        let mut grown = Aligned::default();
        grown.resize(3, [1.0f64; 8]);
        grown.push([2.0; 8]);
        let collected: Aligned<[f64; 8]> = (0..5).map(|k| [f64::from(k); 8]).collect();
        for vector in [&grown, &grown.clone(), &collected] {
            for panel in vector.iter() {
                assert_eq!(panel.as_ptr().addr() % LINE, 0);
            }
        }
        assert_eq!(*grown, [[1.0; 8], [1.0; 8], [1.0; 8], [2.0; 8]]);
        assert_eq!(collected[4], [4.0; 8]);
        grown.resize(1, [3.0; 8]);
        assert_eq!(*grown, [[1.0; 8]]);
        grown.clear();
        assert!(grown.is_empty());
    }
}
