/* The fixture's side of the `ascii` protocol, version 1, for any microcontroller: obeys, reports, and shuts by itself.
   C99, nothing of any board; `ascii.md`, one folder up, is what it must do. */
#include "fixture.h"

#include <stdio.h>
#include <string.h>

#ifndef FIXTURE_NAME
#define FIXTURE_NAME "bench"
#endif

enum { STATE_MS = 50, BOUNCE_MS = 10, LONGEST = 80 };

static char line[LONGEST];
static size_t length;                   /* LONGEST while a line that is too long goes by */
static bool armed;                      /* `shut` came since power-up or since the fail-safe */
static bool commanded_open;
static uint32_t heard_ms;               /* when the last command that was obeyed came */

static uint8_t crc8(const char *text, size_t count)
{
    uint8_t crc = 0;
    for (size_t i = 0; i < count; i++) {
        crc ^= (uint8_t)text[i];
        for (int bit = 0; bit < 8; bit++)
            crc = (uint8_t)((crc << 1) ^ ((crc & 0x80) ? 0x07 : 0));
    }
    return crc;
}

static void say(const char *words)
{
    char out[LONGEST + 1];
    int total = snprintf(out, sizeof out, "%s %02x\n", words, (unsigned)crc8(words, strlen(words)));
    if (total > 0 && total <= LONGEST)
        board_write(out, (size_t)total);
}

static void set_valve(bool open)
{
    commanded_open = open;
    board_valve(open);
}

static bool says(const char *words, size_t count)
{
    return count == strlen(words) && memcmp(line, words, count) == 0;
}

static void obey(void)
{
    char check[3];
    if (length > 0 && line[length - 1] == '\r')
        length--;
    if (length < 4 || line[length - 3] != ' ')
        return;
    size_t count = length - 3;
    snprintf(check, sizeof check, "%02x", (unsigned)crc8(line, count));
    if (memcmp(check, line + length - 2, 2) != 0)
        return;
    if (says("shut", count)) {
        heard_ms = clock_ms();
        armed = true;
        set_valve(false);
    } else if (says("open", count)) {
        if (!armed)
            return;
        heard_ms = clock_ms();
        set_valve(true);
    } else if (says("hello", count)) {
        say("fixture 1 " FIXTURE_NAME);
#ifdef TEST_HANGS
    } else if (count == 6 && memcmp(line, "hang ", 5) == 0) {
        board_hang(line[5]);
#endif
    }
}

static void listen(void)
{
    for (int budget = 64, byte; budget > 0 && (byte = board_read_byte()) >= 0; budget--) {
        if (byte == '\n') {
            if (length < LONGEST)
                obey();
            length = 0;
        } else if (length < LONGEST - 1) {
            line[length++] = (char)byte;
        } else {
            length = LONGEST;
        }
    }
}

static void fail_safe(void)
{
    if (commanded_open && clock_ms() - heard_ms >= FAIL_SAFE_MS) {
        set_valve(false);
        armed = false;
        say("fault no command for 500 ms, valve shut");
    }
}

static void report(void)
{
    static bool told_open, told_down, down, raw;
    static uint32_t told_ms, raw_ms;
    uint32_t now = clock_ms();

    if (board_button_is_down() != raw) {
        raw = !raw;
        raw_ms = now;
    } else if (now - raw_ms >= BOUNCE_MS) {
        down = raw;
    }
    bool open = board_valve_is_open();
    if (open == told_open && down == told_down && now - told_ms < STATE_MS)
        return;
    told_open = open;
    told_down = down;
    told_ms = now;

    char words[LONGEST], pressure[16] = "-";
    int32_t pa;
    if (board_pressure_pa(&pa))
        snprintf(pressure, sizeof pressure, "%ld", (long)pa);
    snprintf(words, sizeof words, "state %s %s %s", open ? "open" : "shut", down ? "down" : "up", pressure);
    say(words);
}

void fixture_begin(void)
{
    set_valve(false);
    say("fixture 1 " FIXTURE_NAME);
}

void fixture_once(void)
{
    fail_safe();                        /* first, so that nothing that follows can keep it from happening */
    listen();
    report();
    board_feed_watchdog();
}
