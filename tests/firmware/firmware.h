/* The firmware of a small vending machine, and what it needs of the board that it runs on.
 *
 * It is an example for docs/src/ci.md: a VMC of MDB/ICP 4.3 with a changer (section 5) and a card reader of
 * level 1 (section 7). It has no clock and no port of its own, so that the same file runs on the board and
 * on a computer: the board calls what is below, and offers what begins with hal_.
 */
#ifndef FIRMWARE_H
#define FIRMWARE_H

#include <stdbool.h>
#include <stdint.h>

/* A word of the bus: the byte, and bit 8 for its mode bit (section 2.1). */
typedef uint16_t word;
#define MODE 0x100

/* Microseconds since power came. */
typedef int64_t time_us;
#define NEVER INT64_MAX

/* ---- what the board calls ---------------------------------------------------------------------- */

void firmware_start(time_us now);               /* power came */
void firmware_word(time_us now, word heard);    /* a word of a device is over */
void firmware_tick(time_us now);                /* time has passed: to be called at firmware_wake() */
time_us firmware_wake(void);                    /* when it wants to be called next */
void firmware_key(time_us now, int item);       /* a selection key */
void firmware_return(time_us now);              /* the coin return */
void firmware_drop(time_us now, bool fell);     /* the motor stopped: the item fell, or did not */

/* ---- what the board offers --------------------------------------------------------------------- */

void hal_send(const word *words, int count);    /* words, one straight after another */
void hal_break(time_us length);                 /* holds the line active (section 3.2) */
void hal_display(const char *text);
void hal_motor(int item);                       /* firmware_drop() comes when it stops */

/* ---- what a test may look at ------------------------------------------------------------------- */

int firmware_credit(void);                      /* coins that bought nothing yet, in cents */
bool firmware_ready(void);                      /* every device is set up */

#endif
