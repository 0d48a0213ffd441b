//! Bill validator / recycler messages (MDB/ICP 4.3, section 6). To be written.
