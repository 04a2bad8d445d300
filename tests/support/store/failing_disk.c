/* Loaded before the C library: the n-th write, sync, truncation or rename of a store's file fails once, or
   from then on. Set by fail_at(n, for_good, error); calls() counts them. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/types.h>
#include <unistd.h>

static long at = -1, count = 0;
static int good = 0, with = EIO;

void fail_at(long n, int for_good, int error) { at = n; count = 0; good = for_good; with = error; }
long calls(void) { return count; }

static int of_a_store(int fd)
{
    char link[64], name[512];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, name, sizeof name - 1);
    if (length < 0) return 0;
    name[length] = 0;
    return strstr(name, "store.sqlite") != NULL && strstr(name, "-shm") == NULL;
}

static int fails(int fd)
{
    if (at < 0 || (fd >= 0 && !of_a_store(fd))) return 0;
    count++;
    if (count == at || (good && count > at)) { errno = with; return 1; }
    return 0;
}

#define NEXT(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

ssize_t pwrite64(int fd, const void *b, size_t n, off64_t o) { return fails(fd) ? -1 : NEXT(pwrite64)(fd, b, n, o); }
ssize_t pwrite(int fd, const void *b, size_t n, off_t o) { return fails(fd) ? -1 : NEXT(pwrite)(fd, b, n, o); }
ssize_t write(int fd, const void *b, size_t n) { return fails(fd) ? -1 : NEXT(write)(fd, b, n); }
int fsync(int fd) { return fails(fd) ? -1 : NEXT(fsync)(fd); }
int fdatasync(int fd) { return fails(fd) ? -1 : NEXT(fdatasync)(fd); }
int ftruncate64(int fd, off64_t n) { return fails(fd) ? -1 : NEXT(ftruncate64)(fd, n); }
int ftruncate(int fd, off_t n) { return fails(fd) ? -1 : NEXT(ftruncate)(fd, n); }
int rename(const char *a, const char *b)
{
    return strstr(a, "store") && fails(-1) ? -1 : NEXT(rename)(a, b);
}
