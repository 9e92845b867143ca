import { join } from 'node:path'
import { defineConfig } from 'vitest/config'

/** What takes minutes: `npm run soak`. */
export default defineConfig({
  root: join(import.meta.dirname, '../..'),
  test: { include: ['test/soak/**/*.soak.ts'], retry: 0, testTimeout: 30 * 60_000, maxWorkers: 2 },
})
