//! The commands about the jig, on the practice bench.

mod self_test;
