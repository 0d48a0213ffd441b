/* Writes down, in order, everything that a program does to files of one folder, and what it prints: for
   tests that ask what a power cut leaves. Loaded before the C library (LD_PRELOAD); the program itself
   works as ever.

   PAYRIG_DISK_FOLDER: the folder, as an absolute path without links. PAYRIG_DISK_LOG: where to write.

   One line per operation, fields separated by blanks, paths and data in hexadecimal:
     C inode path          a name was given to a file (open with O_CREAT)
     W inode offset data   written, not synced
     T inode length        cut or lengthened, not synced
     S inode               fsync or fdatasync of a file
     D path                fsync of a folder
     M path                mkdir
     R path path           rename
     U path                unlink, rmdir
     P data                printed: written to file descriptor 1 or 2
     X name                something that is not modelled here: the test must fail
*/
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <unistd.h>

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static char folder[4096];
static int log_fd = -1;

static void say(const char *bytes, size_t count) {
    while (count > 0) {
        long done = syscall(SYS_write, log_fd, bytes, count);
        if (done <= 0) abort();
        bytes += done;
        count -= (size_t)done;
    }
}

static void say_hex(const void *data, size_t count) {
    static const char digits[] = "0123456789abcdef";
    const unsigned char *byte = data;
    char out[1024];
    size_t used = 0;
    for (size_t i = 0; i < count; i++) {
        out[used++] = digits[byte[i] >> 4];
        out[used++] = digits[byte[i] & 15];
        if (used == sizeof out) {
            say(out, used);
            used = 0;
        }
    }
    say(out, used);
}

static void say_text(const char *text) { say(text, strlen(text)); }

static void say_number(unsigned long long number) {
    char text[32];
    snprintf(text, sizeof text, "%llu", number);
    say_text(text);
}

__attribute__((constructor)) static void begin(void) {
    const char *of = getenv("PAYRIG_DISK_FOLDER"), *log = getenv("PAYRIG_DISK_LOG");
    if (of == NULL || log == NULL || strlen(of) >= sizeof folder) return;
    strcpy(folder, of);
    log_fd = (int)syscall(SYS_openat, AT_FDCWD, log, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    if (log_fd < 0) abort();
}

/* The absolute path of a name, without its last part followed; empty where it is not in the folder. */
static const char *place(const char *name, char *out) {
    char full[8192];
    out[0] = 0;
    if (log_fd < 0) return out;
    if (name[0] == '/') {
        snprintf(full, sizeof full, "%s", name);
    } else {
        char here[4096];
        if (syscall(SYS_getcwd, here, sizeof here) <= 0) return out;
        snprintf(full, sizeof full, "%s/%s", here, name);
    }
    char *last = strrchr(full, '/');
    char parent[4096], part[4096];
    snprintf(part, sizeof part, "%s", last + 1);
    *last = 0;
    if (realpath(full[0] ? full : "/", parent) == NULL) return out;
    size_t length = strlen(folder);
    if (strncmp(parent, folder, length) != 0 || (parent[length] != 0 && parent[length] != '/')) return out;
    snprintf(out, 4096, "%.2000s/%.2000s", parent, part);
    return out;
}

/* The inode behind a descriptor, where its file is a plain one in the folder; 0 otherwise. */
static unsigned long long inode(int fd, struct stat *about) {
    char link[64], path[4096];
    if (log_fd < 0 || fd == log_fd || fstat(fd, about) != 0) return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    long length = syscall(SYS_readlink, link, path, sizeof path - 1);
    if (length <= 0) return 0;
    path[length] = 0;
    size_t of = strlen(folder);
    if (strncmp(path, folder, of) != 0 || (path[of] != 0 && path[of] != '/')) return 0;
    return about->st_ino;
}

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

static void names(char what, const char *one, const char *other) {
    if (one[0] == 0 && (other == NULL || other[0] == 0)) return;
    pthread_mutex_lock(&lock);
    say(&what, 1);
    say(" ", 1);
    say_hex(one, strlen(one));
    if (other != NULL) {
        say(" ", 1);
        say_hex(other, strlen(other));
    }
    say("\n", 1);
    pthread_mutex_unlock(&lock);
}

static void number(char what, unsigned long long of, const unsigned long long *value) {
    pthread_mutex_lock(&lock);
    say(&what, 1);
    say(" ", 1);
    say_number(of);
    if (value != NULL) {
        say(" ", 1);
        say_number(*value);
    }
    say("\n", 1);
    pthread_mutex_unlock(&lock);
}

static void unmodelled(const char *name, int fd) {
    struct stat about;
    if (inode(fd, &about) == 0) return;
    pthread_mutex_lock(&lock);
    say_text("X ");
    say_text(name);
    say("\n", 1);
    pthread_mutex_unlock(&lock);
}

static void wrote(int fd, unsigned long long offset, const void *data, size_t count) {
    struct stat about;
    if (log_fd < 0) return;
    if (fd == 1 || fd == 2) {
        pthread_mutex_lock(&lock);
        say_text("P ");
        say_hex(data, count);
        say("\n", 1);
        pthread_mutex_unlock(&lock);
        return;
    }
    unsigned long long of = inode(fd, &about);
    if (of == 0 || !S_ISREG(about.st_mode)) return;
    pthread_mutex_lock(&lock);
    say_text("W ");
    say_number(of);
    say(" ", 1);
    say_number(offset);
    say(" ", 1);
    say_hex(data, count);
    say("\n", 1);
    pthread_mutex_unlock(&lock);
}

static void opened(int fd, const char *name, int flags) {
    struct stat about;
    char path[4096];
    int before = errno;
    if (fd >= 0 && (flags & (O_CREAT | O_TRUNC)) && inode(fd, &about) != 0 && S_ISREG(about.st_mode)) {
        unsigned long long zero = 0;
        if (flags & O_CREAT) {
            place(name, path);
            pthread_mutex_lock(&lock);
            say_text("C ");
            say_number(about.st_ino);
            say(" ", 1);
            say_hex(path, strlen(path));
            say("\n", 1);
            pthread_mutex_unlock(&lock);
        }
        if (flags & O_TRUNC) number('T', about.st_ino, &zero);
    }
    errno = before;
}

#define OPEN(called)                                       \
    int called(const char *name, int flags, ...) {         \
        va_list more;                                      \
        va_start(more, flags);                             \
        mode_t mode = (mode_t)va_arg(more, unsigned);      \
        va_end(more);                                      \
        int fd = REAL(called)(name, flags, mode);          \
        opened(fd, name, flags);                           \
        return fd;                                         \
    }
OPEN(open)
OPEN(open64)

#define OPENAT(called)                                     \
    int called(int at, const char *name, int flags, ...) { \
        va_list more;                                      \
        va_start(more, flags);                             \
        mode_t mode = (mode_t)va_arg(more, unsigned);      \
        va_end(more);                                      \
        int fd = REAL(called)(at, name, flags, mode);      \
        if (at == AT_FDCWD || name[0] == '/') opened(fd, name, flags); \
        else if (fd >= 0 && (flags & (O_CREAT | O_TRUNC))) unmodelled(#called, fd); \
        return fd;                                         \
    }
OPENAT(openat)
OPENAT(openat64)

static unsigned long long next_offset(int fd) {
    struct stat about;
    int flags = fcntl(fd, F_GETFL);
    if (flags >= 0 && (flags & O_APPEND) && fstat(fd, &about) == 0) return (unsigned long long)about.st_size;
    off_t at = lseek(fd, 0, SEEK_CUR);
    return at < 0 ? 0 : (unsigned long long)at;
}

ssize_t write(int fd, const void *data, size_t count) {
    unsigned long long at = next_offset(fd);
    ssize_t done = REAL(write)(fd, data, count);
    int before = errno;
    if (done > 0) wrote(fd, at, data, (size_t)done);
    errno = before;
    return done;
}

ssize_t writev(int fd, const struct iovec *pieces, int count) {
    unsigned long long at = next_offset(fd);
    ssize_t done = REAL(writev)(fd, pieces, count);
    int before = errno;
    size_t left = done > 0 ? (size_t)done : 0;
    for (int i = 0; i < count && left > 0; i++) {
        size_t piece = pieces[i].iov_len < left ? pieces[i].iov_len : left;
        wrote(fd, at, pieces[i].iov_base, piece);
        at += piece;
        left -= piece;
    }
    errno = before;
    return done;
}

#define PWRITE(called, offset)                                                  \
    ssize_t called(int fd, const void *data, size_t count, offset at) {         \
        ssize_t done = REAL(called)(fd, data, count, at);                       \
        int before = errno;                                                     \
        if (done > 0) wrote(fd, (unsigned long long)at, data, (size_t)done);    \
        errno = before;                                                         \
        return done;                                                            \
    }
PWRITE(pwrite, off_t)
PWRITE(pwrite64, off64_t)

#define TRUNCATE(called, length)                                                \
    int called(int fd, length to) {                                             \
        struct stat about;                                                      \
        int failed = REAL(called)(fd, to);                                      \
        int before = errno;                                                     \
        unsigned long long value = (unsigned long long)to;                      \
        if (failed == 0 && inode(fd, &about) != 0) number('T', about.st_ino, &value); \
        errno = before;                                                         \
        return failed;                                                          \
    }
TRUNCATE(ftruncate, off_t)
TRUNCATE(ftruncate64, off64_t)

static void synced(int fd) {
    struct stat about;
    char link[64], path[4096];
    int before = errno;
    if (inode(fd, &about) != 0) {
        if (S_ISDIR(about.st_mode)) {
            snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
            long length = syscall(SYS_readlink, link, path, sizeof path - 1);
            path[length > 0 ? length : 0] = 0;
            names('D', path, NULL);
        } else {
            number('S', about.st_ino, NULL);
        }
    }
    errno = before;
}

int fsync(int fd) {
    int failed = REAL(fsync)(fd);
    if (failed == 0) synced(fd);
    return failed;
}

int fdatasync(int fd) {
    int failed = REAL(fdatasync)(fd);
    if (failed == 0) synced(fd);
    return failed;
}

int rename(const char *from, const char *to) {
    char one[4096], other[4096];
    place(from, one);
    place(to, other);
    int failed = REAL(rename)(from, to);
    int before = errno;
    if (failed == 0) names('R', one, other);
    errno = before;
    return failed;
}

int unlink(const char *name) {
    char path[4096];
    place(name, path);
    int failed = REAL(unlink)(name);
    int before = errno;
    if (failed == 0) names('U', path, NULL);
    errno = before;
    return failed;
}

int mkdir(const char *name, mode_t mode) {
    char path[4096];
    int failed = REAL(mkdir)(name, mode);
    int before = errno;
    if (failed == 0) names('M', place(name, path), NULL);
    errno = before;
    return failed;
}

/* What else could change a file. */
void *mmap(void *at, size_t length, int prot, int flags, int fd, off_t offset) {
    if (fd >= 0 && (flags & MAP_SHARED) && (prot & PROT_WRITE)) unmodelled("mmap", fd);
    return (void *)syscall(SYS_mmap, at, length, prot, flags, fd, offset);
}

int link(const char *from, const char *to) {
    char path[4096];
    if (place(to, path)[0]) {
        pthread_mutex_lock(&lock);
        say_text("X link\n");
        pthread_mutex_unlock(&lock);
    }
    return REAL(link)(from, to);
}

ssize_t copy_file_range(int in, off64_t *from, int out, off64_t *to, size_t count, unsigned flags) {
    unmodelled("copy_file_range", out);
    return REAL(copy_file_range)(in, from, out, to, count, flags);
}
