/* A machine whose clock is set back to 1970 while a file exists; put in front of the C library. */
#define _GNU_SOURCE
#include <stdlib.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

int clock_gettime(clockid_t id, struct timespec *now) {
    static const char *file;
    if (file == NULL) file = getenv("ROWS_CLOCK_LOST");
    if (id == CLOCK_REALTIME && file != NULL && access(file, F_OK) == 0) {
        now->tv_sec = 0;
        now->tv_nsec = 0;
        return 0;
    }
    return (int)syscall(SYS_clock_gettime, id, now);
}
