import { defineConfig } from 'vitest/config'

export default defineConfig({
  test: {
    include: ['test/**/*.test.ts'],
    retry: 0,
    testTimeout: 60_000,
    hookTimeout: 60_000,
    // Rig tests start real processes and sockets; two at a time is what a two-core machine bears.
    maxWorkers: 2,
  },
})
