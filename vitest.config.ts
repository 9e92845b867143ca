import { defineConfig } from 'vitest/config'

export default defineConfig({
  test: {
    include: ['test/**/*.test.ts'],
    retry: 0,
    // Who asks for more random inputs (test/support/mutations.ts) waits for them.
    testTimeout: 60_000 * Math.max(1, Number(process.env.FUZZ_TIMES ?? 1)),
    hookTimeout: 60_000,
    // Rig tests start real processes and sockets; two at a time is what a two-core machine bears.
    maxWorkers: 2,
  },
})
