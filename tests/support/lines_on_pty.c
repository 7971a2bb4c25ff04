/* Gives a pty modem control lines, which no pty has: preloaded into every process that works with one.
 *
 * TIOCMGET, TIOCMSET, TIOCMBIS and TIOCMBIC of a terminal /dev/pts/N work on the file N in the folder LINES_FOLDER, if
 * there is one: an int of outputs (bits as TIOCM_RTS), then an int of inputs. All else goes to the kernel as ever. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/mman.h>
#include <unistd.h>

enum { OUTPUTS = TIOCM_RTS | TIOCM_DTR };

static int *wires_of(int fd)
{
    char name[128], path[512];
    const char *folder = getenv("LINES_FOLDER");
    if (folder == NULL || ttyname_r(fd, name, sizeof name) != 0)
        return NULL;
    snprintf(path, sizeof path, "%s/%s", folder, strrchr(name, '/') + 1);
    int file = open(path, O_RDWR | O_CLOEXEC);
    if (file < 0)
        return NULL;
    int *wires = mmap(NULL, 2 * sizeof(int), PROT_READ | PROT_WRITE, MAP_SHARED, file, 0);
    close(file);
    return wires == MAP_FAILED ? NULL : wires;
}

int ioctl(int fd, unsigned long request, ...)
{
    static int (*real)(int, unsigned long, ...);
    va_list rest;
    va_start(rest, request);
    void *argument = va_arg(rest, void *);
    va_end(rest);
    if (real == NULL)
        real = (int (*)(int, unsigned long, ...))dlsym(RTLD_NEXT, "ioctl");
    if (request != TIOCMGET && request != TIOCMSET && request != TIOCMBIS && request != TIOCMBIC)
        return real(fd, request, argument);
    int *wires = wires_of(fd), *bits = argument;
    if (wires == NULL)
        return real(fd, request, argument);
    if (request == TIOCMGET)
        *bits = __atomic_load_n(&wires[0], __ATOMIC_SEQ_CST) | __atomic_load_n(&wires[1], __ATOMIC_SEQ_CST);
    else if (request == TIOCMBIS)
        __atomic_fetch_or(&wires[0], *bits & OUTPUTS, __ATOMIC_SEQ_CST);
    else if (request == TIOCMBIC)
        __atomic_fetch_and(&wires[0], ~(*bits & OUTPUTS), __ATOMIC_SEQ_CST);
    else
        __atomic_store_n(&wires[0], *bits & OUTPUTS, __ATOMIC_SEQ_CST);
    munmap(wires, 2 * sizeof(int));
    return 0;
}
