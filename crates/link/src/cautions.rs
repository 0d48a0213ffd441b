//! What to know before hardware is connected.

/// To be printed once when a hardware link opens. The whole page is `docs/src/cautions.md`.
pub const CAUTIONS: &str = "\
Before you connect anything (local codes and the machine's manual come first):
  - Unplug the machine before you open it and before you connect or disconnect anything. Mains is
    inside; that is work for people qualified to do it. Supplies hold their charge for a while.
  - The bus carries 34 V next to its data lines, up to 45 V (MDB/ICP 4.3, section 4.1).
  - Connect only through an interface made for this bus, with its isolation intact. Never join the
    grounds. A plain adapter would be destroyed, and what it is plugged into with it.
  - Motors, payout slides and bill transports start without warning: hands out.
";
