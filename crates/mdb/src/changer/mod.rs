//! Coin changer messages (MDB/ICP 4.3, section 5). To be written.
