/* A team of threads that work in step, on POSIX and on Windows.
 *
 * sg_team_run(n, job, arg) runs job(arg, 0..n-1) and returns when all have returned; member 0 is the
 * calling thread, so a team of one needs no thread at all. sg_barrier_wait lets nobody pass before
 * everybody has arrived, and what was written before it is seen after it.
 */
#ifndef SG_EXPLORER_THREAD_TEAM_H
#define SG_EXPLORER_THREAD_TEAM_H

#include <stdatomic.h>
#include <stdlib.h>

#ifdef _WIN32
#include <windows.h>
typedef HANDLE sg_thread;
typedef SRWLOCK sg_lock;
typedef CONDITION_VARIABLE sg_bell;
#define SG_THREAD_RESULT DWORD WINAPI
#define sg_thread_start(thread, body, arg) (!(*(thread) = CreateThread(NULL, 0, body, arg, 0, NULL)))
#define sg_thread_join(thread) (WaitForSingleObject(thread, INFINITE), CloseHandle(thread))
#define sg_lock_init(lock) InitializeSRWLock(lock)
#define sg_lock_take(lock) AcquireSRWLockExclusive(lock)
#define sg_lock_give(lock) ReleaseSRWLockExclusive(lock)
#define sg_lock_drop(lock) ((void)(lock))
#define sg_bell_init(bell) InitializeConditionVariable(bell)
#define sg_bell_wait(bell, lock) SleepConditionVariableSRW(bell, lock, INFINITE, 0)
#define sg_bell_ring(bell) WakeAllConditionVariable(bell)
#define sg_bell_drop(bell) ((void)(bell))
#else
#include <pthread.h>
#include <sched.h>
#include <time.h>
typedef pthread_t sg_thread;
typedef pthread_mutex_t sg_lock;
typedef pthread_cond_t sg_bell;
#define SG_THREAD_RESULT void *
#define sg_thread_start(thread, body, arg) pthread_create(thread, NULL, body, arg)
#define sg_thread_join(thread) pthread_join(thread, NULL)
#define sg_lock_init(lock) pthread_mutex_init(lock, NULL)
#define sg_lock_take(lock) pthread_mutex_lock(lock)
#define sg_lock_give(lock) pthread_mutex_unlock(lock)
#define sg_lock_drop(lock) pthread_mutex_destroy(lock)
#define sg_bell_init(bell) pthread_cond_init(bell, NULL)
#define sg_bell_wait(bell, lock) pthread_cond_wait(bell, lock)
#define sg_bell_ring(bell) pthread_cond_broadcast(bell)
#define sg_bell_drop(bell) pthread_cond_destroy(bell)
#endif

#define SG_MAX_THREADS 64

typedef struct {
    sg_lock lock;
    sg_bell bell;
    unsigned members, waiting;
    atomic_uint round;
} sg_barrier;

static void sg_barrier_open(sg_barrier *b, unsigned members)
{
    sg_lock_init(&b->lock);
    sg_bell_init(&b->bell);
    b->members = members;
    b->waiting = 0;
    atomic_init(&b->round, 0);
}

static void sg_barrier_close(sg_barrier *b)
{
    sg_bell_drop(&b->bell);
    sg_lock_drop(&b->lock);
}

static void sg_barrier_wait(sg_barrier *b)
{
    if (b->members == 1)
        return;
    sg_lock_take(&b->lock);
    unsigned round = atomic_load(&b->round);
    if (++b->waiting == b->members) {
        b->waiting = 0;
        atomic_store(&b->round, round + 1);
        sg_bell_ring(&b->bell);
        sg_lock_give(&b->lock);
        return;
    }
    sg_lock_give(&b->lock);
    /* The others are rarely more than microseconds behind: look a while before going to sleep. */
    for (int look = 0; look < 4000; look++)
        if (atomic_load_explicit(&b->round, memory_order_acquire) != round)
            return;
    sg_lock_take(&b->lock);
    while (atomic_load(&b->round) == round)
        sg_bell_wait(&b->bell, &b->lock);
    sg_lock_give(&b->lock);
}

/* Lets others have the processor; who has looked in vain for long sleeps a little. */
static inline void sg_pause(unsigned looks)
{
#ifdef _WIN32
    Sleep(looks < 2000 ? 0 : 1);
#else
    const struct timespec a_while = {0, 100000};
    if (looks < 2000)
        sched_yield();
    else
        nanosleep(&a_while, NULL);
#endif
}

/* Gives back what the calling thread keeps for itself (run.h). */
static void sg_thread_ends(void);

typedef void sg_job(void *arg, unsigned member);

typedef struct {
    sg_job *job;
    void *arg;
    unsigned member;
    atomic_int *go; /* 0 wait, 1 run, -1 go home: not every thread could be started */
} sg_member;

static SG_THREAD_RESULT sg_member_body(void *p)
{
    sg_member *m = p;
    int go;
    while (!(go = atomic_load(m->go)))
        ;
    if (go > 0)
        m->job(m->arg, m->member);
    sg_thread_ends();
    return 0;
}

/* 0, or -1 when the operating system gives too few threads; then job was not called at all. */
static int sg_team_run(unsigned n, sg_job *job, void *arg)
{
    sg_thread threads[SG_MAX_THREADS];
    sg_member members[SG_MAX_THREADS];
    atomic_int go;
    unsigned started = 1;
    atomic_init(&go, 0);
    for (; started < n; started++) {
        members[started] = (sg_member){job, arg, started, &go};
        if (sg_thread_start(&threads[started], sg_member_body, &members[started]))
            break;
    }
    atomic_store(&go, started == n ? 1 : -1);
    if (started == n)
        job(arg, 0);
    sg_thread_ends();
    for (unsigned i = 1; i < started; i++)
        sg_thread_join(threads[i]);
    return started == n ? 0 : -1;
}

#endif
