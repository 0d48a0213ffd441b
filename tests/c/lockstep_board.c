/* A board for a coin changer in lock-step, from docs/src/lockstep.md and MDB/ICP 4.3, sections 2 and 5, alone.
 *
 *     cc -o lockstep_board lockstep_board.c
 *     payrig run rig.toml --peer ./lockstep_board
 *
 * It is a peer of payrig's tests, and an example. It sells selection 11 for 0.65 and pays change. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

typedef unsigned long long Time;
#define WORD 1146ULL    /* 11 bits at 9600 baud (2.1) */
#define POLL 150000ULL  /* from command to command (2.4.3: 25 to 200 ms) */

enum { FIND, RESET, SETUP, TUBES, ENABLE, RUN } stage;
static int powered = 1, credit, price = 65, scale, enabled, wanted, vending, jammed, fell, want_tubes;
static int values[16], tubes[16], owed, paying_type, paying_coins, silent;
static Time now, next, deadline, vend_at;    /* deadline: of an answer that is waited for */
static unsigned char answer[40], command[8];
static int length, complete, sent;
static Time last;                            /* end of the answer's last word */

static void start(void)
{
    printf("B %llu 120000\n", now);          /* a bus reset, and time to recover (3.2) */
    stage = FIND;
    next = now + 120000 + 600000;
    deadline = vend_at = 0;
    credit = vending = enabled = owed = paying_coins = silent = 0;
}

static void say(const unsigned char *data, int n)
{
    unsigned sum = 0;
    memcpy(command, data, n);
    printf("W %llu %02X*", now, data[0]);
    for (int i = 0; i < n; i++) sum += data[i];
    for (int i = 1; i < n; i++) printf(" %02X", data[i]);
    printf(" %02X\n", sum & 255);
    length = complete = 0;
    sent = n;
    next = now + POLL;
    deadline = now + (n + 1) * WORD + 20000; /* 5 ms, and what Appendix 3 tolerates */
}

/* The most valuable coins first; what the tubes cannot pay stays credit. */
static int next_coins(void)
{
    paying_type = -1;
    for (int i = 0; i < 16; i++)
        if (values[i] && tubes[i] && values[i] <= owed && (paying_type < 0 || values[i] > values[paying_type]))
            paying_type = i;
    if (paying_type < 0) return 0;
    paying_coins = owed / values[paying_type];
    if (paying_coins > tubes[paying_type]) paying_coins = tubes[paying_type];
    if (paying_coins > 15) paying_coins = 15;
    return 1;
}

static void speak(void)
{
    unsigned char c[6] = {0x0B};
    wanted = stage == RUN && !vending && !owed && credit < 500 ? 0xFFFF : 0;
    if (stage == RESET) c[0] = 0x08, say(c, 1);
    else if (stage == SETUP) c[0] = 0x09, say(c, 1);
    else if (stage == TUBES || want_tubes) c[0] = 0x0A, say(c, 1);
    else if (stage == ENABLE || (stage == RUN && wanted != enabled)) {
        if (stage == ENABLE) wanted = 0xFFFF;
        c[0] = 0x0C, c[1] = c[2] = wanted ? 0xFF : 0, c[3] = c[4] = 0xFF, say(c, 5);
    } else if (owed && !paying_coins && next_coins())
        c[0] = 0x0D, c[1] = paying_coins << 4 | paying_type, say(c, 2);
    else say(c, 1);
}

static void poll(void)
{
    int busy = 0;
    for (int i = 0; i < length; i++) {
        unsigned char b = answer[i];
        if (b & 0x80) i++;                   /* dispensed manually */
        else if ((b & 0xC0) == 0x40) {       /* deposited: to the cash box, or to its tube */
            if ((b >> 4 & 3) < 2) credit += values[b & 15];
            i++;
        } else if (b == 0x01 && credit && !vending) owed = credit;
        else if (b == 0x02) busy = 1;
        else if (b == 0x0B) { stage = SETUP, paying_coins = 0; return; }
    }
    if (owed && paying_coins && !busy) {     /* what was ordered has been paid */
        owed -= paying_coins * values[paying_type];
        credit -= paying_coins * values[paying_type];
        paying_coins = 0, want_tubes = 1;
    }
}

static void heard(void)
{
    unsigned sum = 0;
    for (int i = 0; i + 1 < length; i++) sum += answer[i];
    int data = length > 1, good = !data || (sum & 255) == answer[length - 1];
    if (data) printf("W %llu %s\n", last + 1200 > now ? last + 1200 : now, good ? "00" : "FF");
    if (!good || (!data && answer[0] != 0)) return;
    silent = 0;
    length -= data ? 1 : 0;
    if (!data) length = 0;
    switch (command[0]) {
    case 0x08: stage = FIND; break;
    case 0x09:
        if (length < 7) break;
        scale = answer[3], stage = TUBES, next = now + 500000;  /* the tubes are counted by then (5.3) */
        for (int i = 0; i < 16; i++) values[i] = i + 7 < length && answer[i + 7] != 255 ? answer[i + 7] * scale : 0;
        break;
    case 0x0A:
        if (length < 3) break;
        for (int i = 0; i < 16; i++) tubes[i] = i + 2 < length ? answer[i + 2] : 0;
        want_tubes = 0;
        if (stage == TUBES) stage = ENABLE;
        if (owed && !next_coins()) owed = 0; /* no coin fits: it stays credit */
        paying_coins = 0;
        break;
    case 0x0C: enabled = wanted, stage = RUN; break;
    case 0x0B: poll(); break;
    }
}

static void act(const char *a)
{
    int on = strstr(a, "\"on\":true") != NULL;
    if (strstr(a, "\"do\":\"power\"")) {
        powered = on;
        if (on) start();
        else next = deadline = vend_at = 0;
    } else if (strstr(a, "\"do\":\"select\"")) {
        fell = 0;
        if (powered && strstr(a, "\"item\":11}") && credit >= price && !vending && !owed)
            vending = 1, vend_at = now + 1500000;
    } else if (strstr(a, "\"do\":\"jam-item\"")) jammed = 1;
    else if (strstr(a, "\"do\":\"free-item\"")) jammed = 0;
    else if (!strstr(a, "\"do\":\"press-return\"")) { puts("! this board has no such thing"); return; }
    else if (credit && !vending) owed = credit;
    puts("=");
}

static void turn(void)
{
    if (vend_at && now >= vend_at) {
        vending = 0, vend_at = 0;
        if (!jammed) fell = 1, credit -= price, owed = credit, want_tubes = owed > 0;
    }
    if (deadline && complete) deadline = 0, heard();
    else if (deadline && now >= deadline) {
        deadline = 0;
        if (stage == RESET) next = now + 10000000;              /* every ten seconds (2.5) */
        else if (++silent * POLL > 2200000) stage = RESET, silent = 0; /* silent for too long (5.4) */
    }
    if (powered && !deadline && now >= next) speak();
    Time until = !powered ? 0 : deadline ? deadline : next;
    if (powered && vend_at && vend_at < until) until = vend_at;
    if (until) printf("N %llu\n", until > now ? until : now + 1);
    else puts("R");
    fflush(stdout);
}

int main(void)
{
    char line[4096];
    while (fgets(line, sizeof line, stdin)) {
        if (line[0] == 'L') puts("L 1 quiet=1000"), start(), fflush(stdout);
        else if (line[0] == 'W') {
            char *rest;
            last = strtoull(line + 2, &rest, 10);
            unsigned byte = strtoul(rest, &rest, 16);
            if (deadline && !complete && length < 37)   /* more of it may come */
                answer[length++] = byte, complete = *rest == '*', deadline = last + 8000;
        } else if (line[0] == 'A') now = strtoull(line + 2, NULL, 10), act(line);
        else if (line[0] == '?') {
            if (strstr(line, "\"see\":\"fell\"")) puts(fell ? "= true" : "= false"), fell = 0;
            else if (strstr(line, "\"see\":\"exact-change\"")) puts("= false");
            else puts("! nobody sees that here");
        } else if (line[0] == 'T') now = strtoull(line + 2, NULL, 10), turn();
        else if (line[0] == 'Q') return 0;
    }
    return 0;
}
