/* What the fixture's program asks of the board that it runs on, and what the board asks of it. */
#ifndef FIXTURE_H
#define FIXTURE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* The board's. None of them may wait. */
uint32_t clock_ms(void);                /* counts whatever the program does; may wrap round after 32 bits */
int board_read_byte(void);              /* -1 if there is none */
void board_write(const char *text, size_t length); /* all of it or, if there is no room, nothing */
void board_valve(bool open);            /* false takes the power off the coil */
bool board_valve_is_open(void);         /* read back, not remembered */
bool board_button_is_down(void);
bool board_pressure_pa(int32_t *pa);    /* gauge, pascals; false if there is no sensor, or its wire is broken */
void board_feed_watchdog(void);
#ifdef TEST_HANGS
void board_hang(char how);              /* never returns; only in a build for tests */
#endif

/* The program's. */
void fixture_begin(void);               /* call once */
void fixture_once(void);                /* call for ever, at least every 5 ms */

enum { FAIL_SAFE_MS = 500 };

#endif
