/* pulses LINE HZ COUNT: an open collector on a simulated line that pulls it down COUNT times.
 * Time that the emulator loses is left out: a burst to make up for it would be no sensor's. */
#define _GNU_SOURCE
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>
#include <unistd.h>

static double seconds(struct timespec a, struct timespec b)
{
	return b.tv_sec - a.tv_sec + (b.tv_nsec - a.tv_nsec) / 1e9;
}

static void rest(struct timespec *due, long half_ns)
{
	struct timespec now;
	due->tv_nsec += half_ns;
	due->tv_sec += due->tv_nsec / 1000000000L;
	due->tv_nsec %= 1000000000L;
	clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, due, NULL);
	clock_gettime(CLOCK_MONOTONIC, &now);
	if (seconds(*due, now) * 1e9 > half_ns / 4.0)
		*due = now;
}

int main(int argc, char **argv)
{
	char path[128];
	struct timespec begun, due, ended;
	if (argc != 4)
		return fprintf(stderr, "usage: pulses LINE HZ COUNT\n"), 2;
	long half_ns = (long)(5e8 / atof(argv[2])), count = atol(argv[3]);
	snprintf(path, sizeof path, "/run/gpio/sim_gpio%s/pull", argv[1]);
	int line = open(path, O_WRONLY);
	if (line < 0)
		return perror(path), 1;
	clock_gettime(CLOCK_MONOTONIC, &begun);
	due = begun;
	for (long k = 0; k < count; k++) {
		if (pwrite(line, "pull-down", 9, 0) != 9)
			return perror("pull-down"), 1;
		rest(&due, half_ns);
		if (pwrite(line, "pull-up", 7, 0) != 7)
			return perror("pull-up"), 1;
		rest(&due, half_ns);
	}
	clock_gettime(CLOCK_MONOTONIC, &ended);
	printf("%ld pulses, %.1f Hz\n", count, count / seconds(begun, ended));
	return 0;
}
