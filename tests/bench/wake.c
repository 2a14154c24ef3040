/* How late this computer wakes a bare C thread, one thread on each core, each wake-up with its moment.
 *
 *   wake PHASE_NS INTERVAL_NS PRIORITY SECONDS FILE
 *
 * The threads sleep until monotonic times that lie at PHASE_NS in each INTERVAL_NS, with clock_nanosleep and
 * TIMER_ABSTIME, SCHED_FIFO at PRIORITY (0: no real-time priority) and memory locked. FILE gets int64 triples:
 * core, moment asked for, how late in ns. Compile: cc -O2 -pthread -o wake wake.c
 */
#define _GNU_SOURCE
#include <pthread.h>
#include <sched.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <time.h>
#include <unistd.h>

static int64_t phase, interval, count;
static int priority;

struct log { int core; int64_t *rows; };

static int64_t now_ns(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000000000 + t.tv_nsec;
}

static void *run(void *given)
{
    struct log *log = given;
    cpu_set_t set;
    CPU_ZERO(&set);
    CPU_SET(log->core, &set);
    pthread_setaffinity_np(pthread_self(), sizeof set, &set);
    if (priority > 0) {
        struct sched_param param = {.sched_priority = priority};
        if (pthread_setschedparam(pthread_self(), SCHED_FIFO, &param))
            fprintf(stderr, "wake: no real-time priority\n");
    }
    int64_t due = (now_ns() / interval + 2) * interval + phase;
    for (int64_t i = 0; i < count; i++, due += interval) {
        struct timespec t = {due / 1000000000, due % 1000000000};
        clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &t, NULL);
        int64_t *row = log->rows + 3 * i;
        row[0] = log->core;
        row[1] = due;
        row[2] = now_ns() - due;
    }
    return NULL;
}

int main(int argc, char **argv)
{
    if (argc != 6) {
        fprintf(stderr, "usage: wake PHASE_NS INTERVAL_NS PRIORITY SECONDS FILE\n");
        return 2;
    }
    phase = atoll(argv[1]);
    interval = atoll(argv[2]);
    priority = atoi(argv[3]);
    count = atoll(argv[4]) * 1000000000 / interval;
    int cores = (int)sysconf(_SC_NPROCESSORS_ONLN);
    struct log *logs = calloc(cores, sizeof *logs);
    pthread_t *threads = calloc(cores, sizeof *threads);
    for (int core = 0; core < cores; core++)
        logs[core] = (struct log){core, calloc(3 * count, sizeof(int64_t))};
    if (mlockall(MCL_CURRENT | MCL_FUTURE))
        fprintf(stderr, "wake: memory is not locked\n");
    for (int core = 0; core < cores; core++)
        pthread_create(&threads[core], NULL, run, &logs[core]);
    for (int core = 0; core < cores; core++)
        pthread_join(threads[core], NULL);
    FILE *file = fopen(argv[5], "wb");
    if (!file)
        return 1;
    for (int core = 0; core < cores; core++)
        fwrite(logs[core].rows, 3 * sizeof(int64_t), count, file);
    return fclose(file) ? 1 : 0;
}
