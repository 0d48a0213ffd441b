/* A board that is this computer: the firmware of firmware.c at the other end of a bench of payrig, in
 * lock-step (docs/src/lockstep.md). Time is the bench's; nothing here waits or sleeps.
 *
 *     cc -std=c99 -o firmware firmware.c host.c
 *     payrig run machine.toml --peer ./firmware
 */
#include "firmware.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define DELIVERY 2000000        /* a spiral turns so long */
#define ORDERS 64               /* of one turn */

static time_us now, motor_until = NEVER;
static bool powered = true, jammed[256], fell[256];
static int motor_item;
static char display[64], seen[4096], orders[ORDERS][512];
static int waiting;

/* ---- what firmware.h asks of a board ----------------------------------------------------------- */

void hal_send(const word *words, int count)
{
    printf("W -");
    for (int i = 0; i < count; i++)
        printf(" %02X%s", words[i] & 0xFF, words[i] & MODE ? "*" : "");
    printf("\n");
}

void hal_break(time_us length)
{
    printf("B - %" PRId64 "\n", length);
}

void hal_display(const char *text)
{
    if (strcmp(text, display) == 0)
        return;
    snprintf(display, sizeof display, "%s", text);
    size_t used = strlen(seen);
    snprintf(seen + used, sizeof seen - used, "%s\n", text);
    printf("# %s\n", text);
}

void hal_motor(int item)
{
    motor_item = item;
    motor_until = now + DELIVERY;
}

/* ---- what a person does and sees --------------------------------------------------------------- */

static bool says(const char *order, const char *what)
{
    return strstr(order, what) != NULL;
}

static int item_of(const char *order)
{
    const char *at = strstr(order, "\"item\":");
    int item = at ? atoi(at + 7) : -1;
    return item < 0 || item > 255 ? 0 : item;
}

static void power(bool on)
{
    if (on && !powered)
        firmware_start(now);
    if (!on) {
        motor_until = NEVER;
        hal_display("");
    }
    powered = on;
}

static void act(const char *order)
{
    int item = item_of(order);
    if (says(order, "\"do\":\"select\"") && item) {
        fell[item] = false;
        if (powered)
            firmware_key(now, item);
    } else if (says(order, "\"do\":\"press-return\"")) {
        if (powered)
            firmware_return(now);
    } else if (says(order, "\"do\":\"jam-item\"") && item)
        jammed[item] = true;
    else if (says(order, "\"do\":\"free-item\"") && item)
        jammed[item] = false;
    else if (says(order, "\"do\":\"power\"") && says(order, "\"board\":true"))
        power(says(order, "\"on\":true"));
    else {
        printf("! this board cannot do that\n");
        return;
    }
    printf("=\n");
}

static void look(const char *order)
{
    int item = item_of(order);
    if (says(order, "\"see\":\"fell\"") && item) {
        printf("= %s\n", fell[item] ? "true" : "false");
        fell[item] = false;
    } else if (says(order, "\"see\":\"seen\"")) {
        char text[64] = "";
        const char *at = strstr(order, "\"text\":\"");
        if (at)
            sscanf(at + 8, "%63[^\"]", text);
        printf("= %s\n", *text && strstr(seen, text) ? "true" : "false");
        snprintf(seen, sizeof seen, "%s\n", display);
    } else
        printf("! nobody can see that at this board\n");
}

/* ---- turns ------------------------------------------------------------------------------------- */

static void turn(time_us t)
{
    now = t;
    for (int i = 0; i < waiting; i++)
        (orders[i][0] == 'A' ? act : look)(orders[i] + 2);
    waiting = 0;
    if (powered && motor_until <= now) {
        bool falls = !jammed[motor_item];
        motor_until = NEVER;
        fell[motor_item] = fell[motor_item] || falls;
        firmware_drop(now, falls);
    }
    if (powered && firmware_wake() <= now)
        firmware_tick(now);
    time_us next = powered ? firmware_wake() : NEVER;
    if (motor_until < next)
        next = motor_until;
    if (next == NEVER)
        printf("R\n");
    else
        printf("N %" PRId64 "\n", next > now ? next : now + 1);
    fflush(stdout);
}

int main(void)
{
    char line[512];
    while (fgets(line, sizeof line, stdin)) {
        time_us t;
        unsigned byte;
        char mode = 0;
        line[strcspn(line, "\r\n")] = 0;
        switch (line[0]) {
        case 'L':
            printf("L 1 quiet=900\n");
            fflush(stdout);
            firmware_start(0);
            break;
        case 'W':
            if (powered && sscanf(line, "W %" SCNd64 " %2x%c", &t, &byte, &mode) >= 2)
                firmware_word(t, (word)(byte | (mode == '*' ? MODE : 0)));
            break;
        case 'A':
        case '?':
            if (waiting < ORDERS)
                snprintf(orders[waiting++], sizeof *orders, "%s", line);
            break;
        case 'T':
            if (sscanf(line, "T %" SCNd64, &t) == 1)
                turn(t);
            break;
        case 'Q':
            return 0;
        }
    }
    return 0;
}
