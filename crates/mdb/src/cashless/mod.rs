//! Cashless device messages (MDB/ICP 4.3, section 7). To be written.
