//! The switching board of Pintally: what every microcontroller shares.
#![no_std]
