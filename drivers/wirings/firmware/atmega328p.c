/* The board of the reference fixture: an ATmega328P at 16 MHz. Pins: PB0 valve, PD2 button to ground, PC0 pressure
   sensor, PD0 and PD1 serial. Registers and bits are those of the maker's data sheet. */
#include "fixture.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <util/atomic.h>

#ifndef BAUD
#define BAUD 115200
#endif
#define BAUD_TOL 3                      /* 115200 from 16 MHz is 2.1 % fast, which a receiver that is exact bears */
#include <util/setbaud.h>

/* The pressure sensor is ratiometric: a tenth of its supply at no pressure, nine tenths at full scale (gauge, pascals). */
#ifndef FULL_SCALE_PA
#define FULL_SCALE_PA 1000000
#endif
#if FULL_SCALE_PA > 1800000
#error "more than 1800000 Pa do not fit the arithmetic below"
#endif

enum { SAMPLES = 8, COUNTS = 1023 * SAMPLES, BACKSTOP_MS = FAIL_SAFE_MS + 10 };

static volatile uint32_t now_ms;
static volatile uint16_t open_left_ms;  /* the valve may stay open for so long without a command */
static volatile uint16_t pressure_counts; /* the sum of the last SAMPLES conversions */
/* As long as their index's type counts, so that an index wraps round by itself. */
static volatile char in[256], out[256];
static volatile uint8_t in_head, in_tail, out_head, out_tail;

/* Before anything else, and also after a reset by the watchdog, which leaves it running at its shortest time. */
void start_watchdog(void) __attribute__((naked, used, section(".init3")));
void start_watchdog(void)
{
    MCUSR = 0;
    wdt_enable(WDTO_250MS);
}

/* Every millisecond. The valve's second clock runs here, so that it runs out also where the program hangs. */
ISR(TIMER0_COMPA_vect)
{
    static uint16_t sum;
    static uint8_t samples;

    now_ms++;
    if (open_left_ms > 0 && --open_left_ms == 0)
        PORTB &= (uint8_t)~_BV(PORTB0);
    sum += ADC;                         /* done long since: a conversion takes 0.1 ms */
    if (++samples == SAMPLES) {
        pressure_counts = sum;
        sum = samples = 0;
    }
    ADCSRA |= _BV(ADSC);
}

ISR(USART_RX_vect)
{
    char byte = (char)UDR0;
    if ((uint8_t)(in_head + 1) != in_tail)
        in[in_head++] = byte;
}

ISR(USART_UDRE_vect)
{
    if (out_head != out_tail)
        UDR0 = (uint8_t)out[out_tail++];
    if (out_head == out_tail)
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
}

static void board_begin(void)
{
    DDRB |= _BV(DDB0);                  /* low since the reset */
    PORTD |= _BV(PORTD2);               /* pulled up */

    UCSR0A = USE_2X ? _BV(U2X0) : 0;
    UBRR0 = UBRR_VALUE;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00); /* 8 data bits, no parity, 1 stop bit */
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);

    ADMUX = _BV(REFS0);                 /* against the supply, as the sensor is */
    ADCSRA = _BV(ADEN) | _BV(ADSC) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0);
    loop_until_bit_is_clear(ADCSRA, ADSC);
    pressure_counts = ADC * SAMPLES;

    TCCR0A = _BV(WGM01);
    OCR0A = F_CPU / 64 / 1000 - 1;
    TIMSK0 = _BV(OCIE0A);
    TCCR0B = _BV(CS01) | _BV(CS00);     /* a 64th of the clock */

    set_sleep_mode(SLEEP_MODE_IDLE);
    sei();
}

uint32_t clock_ms(void)
{
    uint32_t ms;
    ATOMIC_BLOCK(ATOMIC_FORCEON) { ms = now_ms; }
    return ms;
}

int board_read_byte(void)
{
    return in_head == in_tail ? -1 : (uint8_t)in[in_tail++];
}

void board_write(const char *text, size_t length)
{
    if (length >= sizeof out - (uint8_t)(out_head - out_tail))
        return;
    for (size_t i = 0; i < length; i++)
        out[out_head++] = text[i];
    ATOMIC_BLOCK(ATOMIC_FORCEON) { UCSR0B |= _BV(UDRIE0); }
}

void board_valve(bool open)
{
    ATOMIC_BLOCK(ATOMIC_FORCEON) {
        open_left_ms = open ? BACKSTOP_MS : 0;
        if (open)
            PORTB |= _BV(PORTB0);
        else
            PORTB &= (uint8_t)~_BV(PORTB0);
    }
}

bool board_valve_is_open(void)
{
    return bit_is_set(PINB, PINB0);     /* what the pin carries, also when something else holds it */
}

bool board_button_is_down(void)
{
    return bit_is_clear(PIND, PIND2);
}

bool board_pressure_pa(int32_t *pa)
{
    int32_t counts;
    ATOMIC_BLOCK(ATOMIC_FORCEON) { counts = pressure_counts; }
    if (counts < COUNTS / 20 || counts > COUNTS - COUNTS / 20)
        return false;                   /* no such sensor says this: a wire is broken or shorted */
    /* In tenths of a count from a tenth of the supply; 8 COUNTS of them are full scale. 1024 keeps the fraction. */
    *pa = (counts * 10 - COUNTS) * (int32_t)(FULL_SCALE_PA * 1024ULL / (8UL * COUNTS)) / 1024;
    return true;
}

void board_feed_watchdog(void)
{
    wdt_reset();
}

#ifdef TEST_HANGS
void board_hang(char how)
{
    if (how == 'd')                     /* deaf: no interrupt either */
        cli();
    for (;;)
        if (how == 'f')                 /* fed: it hangs where the watchdog does not notice */
            wdt_reset();
}
#endif

int main(void)
{
    board_begin();
    fixture_begin();
    for (;;) {
        fixture_once();
        sleep_mode();                   /* until the next interrupt, which is at most 1 ms away */
    }
}
