/* Loaded into a process (LD_PRELOAD): what it writes to files with FAULT_OF in their path fails with the error number
   that stands in the file FAULT_FILE, for as long as that is there. Error numbers: errno(3). */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <unistd.h>

static int fault(const char *path) {
  const char *when = getenv("FAULT_FILE"), *of = getenv("FAULT_OF");
  char text[16] = {0};
  int file, number = 0;
  if (!when || !of || !strstr(path, of)) return 0;
  file = syscall(SYS_openat, AT_FDCWD, when, O_RDONLY);
  if (file < 0) return 0;
  if (syscall(SYS_read, file, text, sizeof text - 1) > 0) number = atoi(text);
  syscall(SYS_close, file);
  return number;
}

static int fault_of(int file) {
  char link[64], path[4096];
  int kept = errno;
  ssize_t n;
  snprintf(link, sizeof link, "/proc/self/fd/%d", file);
  n = readlink(link, path, sizeof path - 1);
  errno = kept;
  if (n < 0) return 0;
  path[n] = 0;
  return fault(path);
}

#define FAIL(number, result) if (number) { errno = number; return result; }
#define REAL(type, name, ...) ((type (*)(__VA_ARGS__))dlsym(RTLD_NEXT, #name))

ssize_t pwrite64(int file, const void *data, size_t n, off64_t at) {
  int number = fault_of(file);
  FAIL(number, -1)
  return REAL(ssize_t, pwrite64, int, const void *, size_t, off64_t)(file, data, n, at);
}

ssize_t pwrite(int file, const void *data, size_t n, off_t at) {
  int number = fault_of(file);
  FAIL(number, -1)
  return REAL(ssize_t, pwrite, int, const void *, size_t, off_t)(file, data, n, at);
}

ssize_t write(int file, const void *data, size_t n) {
  int number = fault_of(file);
  FAIL(number, -1)
  return REAL(ssize_t, write, int, const void *, size_t)(file, data, n);
}

int fsync(int file) {
  int number = fault_of(file);
  FAIL(number, -1)
  return REAL(int, fsync, int)(file);
}

int fdatasync(int file) {
  int number = fault_of(file);
  FAIL(number, -1)
  return REAL(int, fdatasync, int)(file);
}

int ftruncate64(int file, off64_t size) {
  int number = fault_of(file);
  FAIL(number, -1)
  return REAL(int, ftruncate64, int, off64_t)(file, size);
}

int ftruncate(int file, off_t size) {
  int number = fault_of(file);
  FAIL(number, -1)
  return REAL(int, ftruncate, int, off_t)(file, size);
}

/* A file system that has become read-only opens nothing for writing; one with bad sectors does. */
#define OPENS(name)                                                     \
  int name(const char *path, int flags, ...) {                          \
    int mode = 0, number;                                               \
    if (flags & (O_CREAT | O_TMPFILE)) {                                \
      va_list rest;                                                     \
      va_start(rest, flags);                                            \
      mode = va_arg(rest, int);                                         \
      va_end(rest);                                                     \
    }                                                                   \
    number = fault(path);                                               \
    if (number == EROFS && (flags & O_ACCMODE) != O_RDONLY) {           \
      errno = EROFS;                                                    \
      return -1;                                                        \
    }                                                                   \
    return REAL(int, name, const char *, int, ...)(path, flags, mode);  \
  }
OPENS(open)
OPENS(open64)
