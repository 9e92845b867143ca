/**
 * Makes work run one at a time. A call while it runs shares the one run that follows, so it covers everything that was
 * there when it was made, and never more than one run waits.
 */
export function oneAtATime<T>(work: () => Promise<T>): () => Promise<T> {
  let running: Promise<unknown> = Promise.resolve()
  let following: Promise<T> | undefined
  return () => {
    if (following) return following
    const begin = (): Promise<T> => {
      following = undefined
      const run = work()
      running = run
      return run
    }
    following = running.then(begin, begin)
    return following
  }
}
