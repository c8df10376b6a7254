//! Tests of the program from outside.

mod command_line;
