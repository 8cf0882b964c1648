//! The whole way of a part through the program, in one readable function.
