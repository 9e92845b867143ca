/**
 * Waits until a condition of the outside world holds; fails by name when it does not in time. Only for real processes,
 * sockets and devices: everything else in the tests runs on virtual time.
 */
export async function waitFor(
  what: string,
  holds: () => boolean | Promise<boolean>,
  limitSeconds = 15,
): Promise<void> {
  const end = Date.now() + limitSeconds * 1000
  while (!(await holds())) {
    if (Date.now() > end) throw new Error(`waited ${limitSeconds} s in vain for: ${what}`)
    await new Promise((resolve) => setTimeout(resolve, 20))
  }
}
