/* Runs firmware for an ATmega328P in an emulator, no faster than it would run: its serial port is a pty, its pins a pipe.

   emulate_atmega328p FIRMWARE.elf [--steps]

   Takes a line a command on its standard input, and ends where that ends:
     button 0|1       let go or press: PD2 open or at ground       millivolts N     at PC0, the supply being 5000
     mute 0|1         throw away what it sends                     garble HEX       send this as if it had
     plug             put the cable in: a new pty                  unplug           pull it
     stack            say how many bytes the stack took at most
     hear HEX, run NS only with --steps: there is no pty and no wall clock; hear these bytes, let so much time pass
   and prints a line an event, with simulated and wall time in nanoseconds, the latter on the monotonic clock:
     port PATH · heard SIM WALL HEX · sent SIM WALL HEX · valve SIM WALL 0|1 (PB0) · reset SIM WALL · still SIM WALL NS · stack BYTES */
#define _GNU_SOURCE
#include <fcntl.h>
#include <poll.h>
#include <pty.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include <simavr/avr_adc.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_time.h>

/* The emulator's serial port takes a byte to be eleven bits long; coming faster, bytes would pile up in it. */
enum { HERTZ = 16000000, CYCLES_A_BYTE = 1500, SLICE = HERTZ / 2000, WAITING = 65536,
       STILL_NS = 20000000 };
/* Addresses of the data sheet's register summary. */
enum { DDRB_AT = 0x24, PORTB_AT = 0x25 };

static avr_t *avr;
static elf_firmware_t firmware;
static void (*reset_core)(avr_t *);
static bool valve_open, steps, muted, down;
static int master = -1, slave = -1;
static uint8_t waiting[WAITING];        /* for the firmware, a byte at a time as the line brings them */
static size_t waiting_head, waiting_tail;
static bool bringing;
static uint8_t sent[4096];
static size_t sent_count;

static uint64_t wall_ns(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t)now.tv_sec * 1000000000u + (uint64_t)now.tv_nsec;
}

static uint64_t sim_ns(void)
{
    return avr->cycle * 125 / 2;        /* 62.5 ns each */
}

static void tell(const char *what)
{
    printf("%s %llu %llu", what, (unsigned long long)sim_ns(), (unsigned long long)wall_ns());
}

static void tell_bytes(const char *what, const uint8_t *data, size_t count)
{
    tell(what);
    putchar(' ');
    for (size_t i = 0; i < count; i++)
        printf("%02x", data[i]);
    putchar('\n');
}

static void look_at_valve(void)
{
    bool now_open = (avr->data[DDRB_AT] & avr->data[PORTB_AT] & 1) != 0;
    if (now_open == valve_open)
        return;
    valve_open = now_open;
    tell("valve");
    printf(" %d\n", now_open);
    fflush(stdout);
}

static void on_reset(avr_t *core)
{
    reset_core(core);
    tell("reset");
    putchar('\n');
}

static void on_sent(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    if (sent_count < sizeof sent)
        sent[sent_count++] = (uint8_t)value;
}

static void on_valve(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)value;
    (void)param;
    look_at_valve();
}

static avr_cycle_count_t bring(avr_t *core, avr_cycle_count_t when, void *param)
{
    (void)param;
    if (waiting_head == waiting_tail) {
        bringing = false;
        return 0;
    }
    avr_raise_irq(avr_io_getirq(core, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT), waiting[waiting_tail]);
    waiting_tail = (waiting_tail + 1) % WAITING;
    return when + CYCLES_A_BYTE;
}

static void hear(const uint8_t *data, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        waiting[waiting_head] = data[i];
        waiting_head = (waiting_head + 1) % WAITING;
    }
    if (!bringing && count > 0) {
        bringing = true;
        avr_cycle_timer_register(avr, CYCLES_A_BYTE, bring, NULL);
    }
    tell_bytes("heard", data, count);
}

static void set_button(void)
{
    /* What pulls the pin, also after a reset, and what it carries now. */
    avr_ioport_external_t pull = {.name = 'D', .mask = 1 << 2, .value = down ? 0 : 1 << 2};
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('D'), &pull);
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 2), !down);
}

static void unplug(void)
{
    if (master >= 0) {
        close(master);
        close(slave);
    }
    master = slave = -1;
}

static void plug(void)
{
    struct termios raw;
    char name[128];
    unplug();
    /* The other end is held open here as well: a pty that nobody holds reports a hang-up to its writer. */
    if (openpty(&master, &slave, name, NULL, NULL) != 0) {
        perror("openpty");
        exit(1);
    }
    tcgetattr(slave, &raw);
    cfmakeraw(&raw);
    tcsetattr(slave, TCSANOW, &raw);
    fcntl(master, F_SETFL, O_NONBLOCK);
    printf("port %s\n", name);
}

static void put(const uint8_t *data, size_t count)
{
    if (master < 0)
        return;
    for (int again = 0; again < 2 && count > 0; again++) {
        ssize_t done = write(master, data, count);
        if (done > 0) {
            data += done;
            count -= (size_t)done;
        }
        if (count > 0) {                /* a reader that does not read loses what piled up, as a whole */
            tcflush(master, TCOFLUSH);
            tcflush(slave, TCIFLUSH);
        }
    }
}

static void run_until(avr_cycle_count_t target)
{
    while (avr->cycle < target) {
        avr_cycle_count_t stop = avr->cycle + SLICE < target ? avr->cycle + SLICE : target;
        while (avr->cycle < stop) {
            avr->run_cycle_limit = stop - avr->cycle;
            int state = avr_run(avr);
            if (state == cpu_Done || state == cpu_Crashed) {
                fprintf(stderr, "the processor stopped, state %d\n", state);
                exit(1);
            }
        }
        look_at_valve();
        if (sent_count > 0 && !muted) {
            tell_bytes("sent", sent, sent_count);
            put(sent, sent_count);
        }
        sent_count = 0;
    }
}

/* What was never written is still zero; the stack grows down from the end. */
static void tell_stack(void)
{
    size_t free_from = 0x100 + firmware.datasize + firmware.bsssize, untouched = free_from;
    while (untouched < avr->ramend && avr->data[untouched] == 0)
        untouched++;
    printf("stack %zu\n", avr->ramend + 1 - untouched);
}

static size_t unhex(const char *text, uint8_t *data, size_t room)
{
    size_t count = 0;
    unsigned byte;
    for (; count < room && sscanf(text + 2 * count, "%2x", &byte) == 1; count++)
        data[count] = (uint8_t)byte;
    return count;
}

static void obey(char *line)
{
    static uint8_t data[WAITING / 2];
    char *rest = strchr(line, ' ');
    if (rest != NULL)
        *rest++ = 0;
    else
        rest = line + strlen(line);
    if (strcmp(line, "button") == 0) {
        down = atoi(rest) != 0;
        set_button();
    } else if (strcmp(line, "millivolts") == 0) {
        avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0), (uint32_t)atoi(rest));
    } else if (strcmp(line, "mute") == 0) {
        muted = atoi(rest) != 0;
    } else if (strcmp(line, "garble") == 0) {
        put(data, unhex(rest, data, sizeof data));
    } else if (strcmp(line, "plug") == 0) {
        plug();
    } else if (strcmp(line, "unplug") == 0) {
        unplug();
    } else if (strcmp(line, "hear") == 0) {
        hear(data, unhex(rest, data, sizeof data));
    } else if (strcmp(line, "run") == 0) {
        run_until(avr->cycle + strtoull(rest, NULL, 10) * 2 / 125);
    } else if (strcmp(line, "stack") == 0) {
        tell_stack();
    } else {
        fprintf(stderr, "no such command: %s\n", line);
        exit(1);
    }
    fflush(stdout);
}

/* Obeys the lines that have come; returns whether more may. */
static bool obey_what_came(void)
{
    static char text[2 * WAITING];
    static size_t count;
    ssize_t got = read(STDIN_FILENO, text + count, sizeof text - count - 1);
    if (got <= 0)
        return false;
    count += (size_t)got;
    text[count] = 0;
    char *begin = text, *end;
    while ((end = strchr(begin, '\n')) != NULL) {
        *end = 0;
        obey(begin);
        begin = end + 1;
    }
    count = strlen(begin);
    memmove(text, begin, count);
    return count < sizeof text - 1;
}

static void run_in_real_time(void)
{
    uint64_t began_ns = wall_ns() - sim_ns();
    for (;;) {
        struct pollfd ends[] = {{STDIN_FILENO, POLLIN, 0}, {master, POLLIN, 0}};
        uint64_t passed_ns = wall_ns() - began_ns;
        /* A millisecond at a time. Where a busy machine kept it from running, the processor's time stood still. */
        struct timespec wait = {0, sim_ns() > passed_ns ? (long)(sim_ns() - passed_ns) : 0};
        if (passed_ns > sim_ns() + STILL_NS) {
            tell("still");
            printf(" %llu\n", (unsigned long long)(passed_ns - sim_ns()));
            began_ns += passed_ns - sim_ns();
        }
        ppoll(ends, 2, &wait, NULL);
        if (ends[0].revents != 0 && !obey_what_came())
            return;
        if (ends[1].revents & POLLIN) {
            uint8_t data[1024];
            ssize_t got = read(master, data, sizeof data);
            if (got > 0)
                hear(data, (size_t)got);
        }
        if (wall_ns() - began_ns >= sim_ns())
            run_until(avr->cycle + HERTZ / 1000);
        fflush(stdout);
    }
}

static void sleep_in_simulated_time(avr_t *core, avr_cycle_count_t cycles)
{
    (void)core;
    (void)cycles;                       /* the core counts them by itself */
}

static void log_errors(avr_t *core, const int level, const char *format, va_list values)
{
    (void)core;
    if (level <= LOG_ERROR)
        vfprintf(stderr, format, values);
}

int main(int count, char *words[])
{
    uint32_t flags = 0;
    avr_global_logger_set(log_errors);
    if (count < 2 || elf_read_firmware(words[1], &firmware) != 0)
        return 2;
    steps = count > 2 && strcmp(words[2], "--steps") == 0;
    avr = avr_make_mcu_by_name("atmega328p");
    if (avr == NULL || avr_init(avr) != 0)
        return 2;
    avr_load_firmware(avr, &firmware);
    avr->frequency = HERTZ;
    avr->vcc = avr->avcc = avr->aref = 5000;
    avr->sleep = sleep_in_simulated_time;
    reset_core = avr->reset;
    avr->reset = on_reset;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_sent, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 0), on_valve, NULL);
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0), 500);
    set_button();
    if (steps) {
        while (obey_what_came())
            continue;
    } else {
        plug();
        fflush(stdout);
        run_in_real_time();
    }
    return 0;
}
