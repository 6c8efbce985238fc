/* A machine with a slow disk and a wrong clock, for one process (LD_PRELOAD).
 *
 * GOMPHOSIS_TEST_BAD_MACHINE names a file of two 64-bit integers: how long each sync of the disk
 * takes more, in microseconds, and by how many seconds the clock of the day is wrong. Whoever
 * writes into the file changes both at once, also in children. Monotonic clocks stay right, as
 * they do where a clock is set.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdint.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

static const volatile int64_t none[2];
static const volatile int64_t *told = none;

__attribute__((constructor)) static void begin(void) {
    const char *name = getenv("GOMPHOSIS_TEST_BAD_MACHINE");
    int file = name ? open(name, O_RDONLY | O_CLOEXEC) : -1;
    if (file < 0) return;
    void *there = mmap(NULL, sizeof none, PROT_READ, MAP_SHARED, file, 0);
    close(file);
    if (there != MAP_FAILED) told = there;
}

static void wait_for_disk(void) {
    int64_t us = told[0];
    if (us > 0) {
        struct timespec wait = {us / 1000000, us % 1000000 * 1000};
        nanosleep(&wait, NULL);
    }
}

#define REAL(name) ({ static __typeof__(&name) real; if (!real) real = dlsym(RTLD_NEXT, #name); real; })

int fsync(int file) { wait_for_disk(); return REAL(fsync)(file); }
int fdatasync(int file) { wait_for_disk(); return REAL(fdatasync)(file); }

int clock_gettime(clockid_t clock, struct timespec *now) {
    int failed = REAL(clock_gettime)(clock, now);
    if (!failed && (clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE)) now->tv_sec += told[1];
    return failed;
}

int gettimeofday(struct timeval *restrict now, void *restrict zone) {
    int failed = REAL(gettimeofday)(now, zone);
    if (!failed) now->tv_sec += told[1];
    return failed;
}

time_t time(time_t *now) {
    struct timespec there;
    clock_gettime(CLOCK_REALTIME, &there);
    if (now) *now = there.tv_sec;
    return there.tv_sec;
}
