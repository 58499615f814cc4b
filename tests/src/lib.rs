//! Loaders and joined ends for the tests of the whole: the tests themselves stand in the folders beside
//! `src/` (`published/`, `system/`, ...), one binary a kind.
