//! Neighbours of one look become stretches: what a person sees as one thing.

use std::ops::Range;

use super::looks::{Counted, Looks};

/// A blank run shorter than this between two stretches of one look is padding.
const PADDING_MAX_BYTES: u32 = 4 << 10;
/// A stretch up to this long within another look is part of it, if it is small beside it.
const ISLAND_MAX_BYTES: u32 = 16 << 10;
/// Pieces that are remembered while an image is read; more than these are folded.
const PIECES_MAX: usize = 4096;
/// Stretches that fit a screen; more than these are folded further.
const SHOWN_MAX: usize = 40;

/// A run of bytes of one look.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Piece {
    pub range: Range<u32>,
    /// Whether something begins here whatever the looks, such as a region.
    pub begins: bool,
    /// Bytes by look.
    tally: Vec<(Looks, u32)>,
    /// Sum of entropies, each times its bytes, in bits.
    bits: f64,
    counted_bytes: u32,
}

impl Piece {
    pub fn new(range: Range<u32>, counted: Counted, counted_bytes: u32, begins: bool) -> Self {
        let length = range.end - range.start;
        Self {
            range,
            begins,
            tally: vec![(counted.looks, length)],
            bits: counted.bits * f64::from(counted_bytes),
            counted_bytes,
        }
    }

    pub fn length(&self) -> u32 {
        self.range.end - self.range.start
    }

    pub fn is_blank(&self) -> bool {
        matches!(self.tally.as_slice(), [(Looks::Blank, _)])
    }

    /// What most of it looks like, blank bytes left out.
    pub fn looks(&self) -> Looks {
        if self.is_blank() {
            return Looks::Blank;
        }
        let content = self
            .tally
            .iter()
            .filter(|(looks, _)| *looks != Looks::Blank);
        let all: u32 = content.clone().map(|(_, bytes)| bytes).sum();
        match content.max_by_key(|(_, bytes)| *bytes) {
            Some((looks, bytes)) if *bytes >= all.div_ceil(2) => *looks,
            _ => Looks::Mixed,
        }
    }

    /// Mean entropy of its 4 KiB blocks, in bits a byte.
    pub fn bits(&self) -> f64 {
        self.bits / f64::from(self.counted_bytes.max(1))
    }

    /// Takes the next piece into this one.
    pub fn join(&mut self, other: Self) {
        self.range.end = other.range.end;
        self.bits += other.bits;
        self.counted_bytes += other.counted_bytes;
        for (looks, bytes) in other.tally {
            match self.tally.iter_mut().find(|(own, _)| *own == looks) {
                Some((_, own)) => *own += bytes,
                None => self.tally.push((looks, bytes)),
            }
        }
    }
}

/// Takes pieces in address order and folds them into stretches.
#[derive(Default)]
pub(super) struct Stretches {
    pieces: Vec<Piece>,
    /// Once there were too many pieces: shorter ones are not told apart.
    shortest: u32,
}

impl Stretches {
    pub fn push(&mut self, piece: Piece) {
        match self.pieces.last_mut() {
            Some(last) if !piece.begins && last.looks() == piece.looks() => last.join(piece),
            _ => self.pieces.push(piece),
        }
        if self.pieces.len() > PIECES_MAX {
            self.fold_to(PIECES_MAX / 2);
        }
    }

    pub fn finish(mut self) -> Vec<Piece> {
        self.pieces = folded(self.pieces, is_island);
        self.fold_to(SHOWN_MAX);
        self.pieces
    }

    /// Folds ever longer pieces into their neighbours until at most `most` are left, or none can be
    /// folded.
    fn fold_to(&mut self, most: usize) {
        while self.pieces.len() > most && self.shortest < 1 << 30 {
            self.shortest = (self.shortest * 2).max(PADDING_MAX_BYTES);
            let shortest = self.shortest;
            let pieces = std::mem::take(&mut self.pieces);
            self.pieces = folded(pieces, |before, between, after| {
                is_island(before, between, after)
                    || !before.is_blank() && !after.is_blank() && between.length() < shortest
            });
            let pieces = std::mem::take(&mut self.pieces);
            self.pieces = joined(pieces, shortest);
        }
    }
}

/// Whether `between` is a part of what stands on both sides of it.
fn is_island(before: &Piece, between: &Piece, after: &Piece) -> bool {
    if before.is_blank() || before.looks() != after.looks() {
        return false;
    }
    let around = before.length().saturating_add(after.length());
    let most = if between.is_blank() {
        PADDING_MAX_BYTES - 1
    } else {
        ISLAND_MAX_BYTES
    };
    between.length() <= most && between.length() <= around / 4
}

/// Joins three pieces wherever `are_one` says so and nothing begins at the second or third.
fn folded(pieces: Vec<Piece>, are_one: impl Fn(&Piece, &Piece, &Piece) -> bool) -> Vec<Piece> {
    let mut out: Vec<Piece> = Vec::with_capacity(pieces.len());
    for piece in pieces {
        let fold = match out.as_slice() {
            [.., before, between] => {
                !between.begins && !piece.begins && are_one(before, between, &piece)
            }
            _ => false,
        };
        if !fold {
            out.push(piece);
            continue;
        }
        if let (Some(between), Some(before)) = (out.pop(), out.last_mut()) {
            before.join(between);
            before.join(piece);
        }
    }
    out
}

/// Joins neighbours of which none is blank and one is shorter than `shortest`.
fn joined(pieces: Vec<Piece>, shortest: u32) -> Vec<Piece> {
    let mut out: Vec<Piece> = Vec::with_capacity(pieces.len());
    for piece in pieces {
        match out.last_mut() {
            Some(last)
                if !piece.begins
                    && last.is_blank() == piece.is_blank()
                    && (last.is_blank() || last.length().min(piece.length()) < shortest) =>
            {
                last.join(piece);
            }
            _ => out.push(piece),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stretches(given: &[(Looks, u32)]) -> Vec<(Looks, u32)> {
        let (mut stretches, mut at) = (Stretches::default(), 0);
        for (looks, length) in given {
            let counted = Counted {
                looks: *looks,
                bits: 1.0,
            };
            stretches.push(Piece::new(at..at + length, counted, *length, false));
            at += length;
        }
        let found = stretches.finish();
        let mut end = 0;
        for piece in &found {
            assert_eq!(piece.range.start, end, "no byte twice or left out");
            end = piece.range.end;
        }
        assert_eq!(end, at);
        found
            .iter()
            .map(|piece| (piece.looks(), piece.length()))
            .collect()
    }

    #[test]
    fn neighbours_of_one_look_are_one_stretch() {
        let found = stretches(&[
            (Looks::CodeLike, 4096),
            (Looks::CodeLike, 4096),
            (Looks::Blank, 4096),
            (Looks::Text, 256),
        ]);
        let wanted = [
            (Looks::CodeLike, 8192),
            (Looks::Blank, 4096),
            (Looks::Text, 256),
        ];
        assert_eq!(found, wanted);
    }

    #[test]
    fn islands_and_padding_belong_to_what_is_around_them() {
        let code = (Looks::CodeLike, 64 << 10);
        assert_eq!(stretches(&[code, (Looks::Table, 4096), code]).len(), 1);
        assert_eq!(stretches(&[code, (Looks::Blank, 3840), code]).len(), 1);
        assert_eq!(stretches(&[code, (Looks::Blank, 4096), code]).len(), 3);
        assert_eq!(stretches(&[code, (Looks::Table, 32 << 10), code]).len(), 3);
        let small = (Looks::CodeLike, 4096);
        assert_eq!(stretches(&[small, (Looks::Table, 4096), small]).len(), 3);
        let blank = (Looks::Blank, 64 << 10);
        assert_eq!(
            stretches(&[blank, (Looks::Table, 256), blank]).len(),
            3,
            "this may be unit data"
        );
    }

    #[test]
    fn however_many_pieces_there_are_few_stretches_are_left() {
        for kinds in [
            &[Looks::CodeLike, Looks::Table][..],
            &[Looks::Blank, Looks::Text],
            &[Looks::Blank, Looks::Text, Looks::Packed, Looks::Filled(0)],
        ] {
            let given: Vec<(Looks, u32)> = kinds
                .iter()
                .cycle()
                .take(30_000)
                .map(|looks| (*looks, 2048))
                .collect();
            let found = stretches(&given);
            assert!(found.len() <= SHOWN_MAX, "{} of {kinds:?}", found.len());
        }
    }

    #[test]
    fn what_begins_somewhere_begins_a_stretch() {
        let mut stretches = Stretches::default();
        let blank = Counted {
            looks: Looks::Blank,
            bits: 0.0,
        };
        for at in 0..100 {
            stretches.push(Piece::new(at * 64..at * 64 + 64, blank, 0, at % 2 == 0));
        }
        assert_eq!(stretches.finish().len(), 50);
    }
}
