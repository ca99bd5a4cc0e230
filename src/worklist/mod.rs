//! worklist
