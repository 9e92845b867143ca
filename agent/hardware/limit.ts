/** A longer timer would fire at once. */
const longestTimerMillis = 2 ** 31 - 1

/** Waits for a promise, but no longer than so many seconds. The late result is dropped, its rejection swallowed. */
export async function withLimit<T>(work: Promise<T>, seconds: number): Promise<T | 'late'> {
  let timer: NodeJS.Timeout | undefined
  const late = new Promise<'late'>((resolve) => {
    timer = setTimeout(() => resolve('late'), Math.min(longestTimerMillis, seconds * 1000))
  })
  try {
    return await Promise.race([work, late])
  } finally {
    clearTimeout(timer)
    work.catch(() => undefined)
  }
}
