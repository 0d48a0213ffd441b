//! File transport layer (MDB/ICP 4.3, section 2.6). To be written.
