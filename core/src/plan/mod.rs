//! The inspection plan: what a file says, and the checked plan made from it.
