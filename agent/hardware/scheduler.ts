import cron from 'node-cron'
import type { Scheduler } from '../terms/terms.js'

/** Calendar timers on node-cron, in UTC. It only says that something is due; what is due runs in the station's loop. */
export const cronScheduler: Scheduler = {
  calendar(schedule, due) {
    const task = cron.schedule(schedule, () => due(), { timezone: 'UTC', noOverlap: true })
    return { stop: () => void task.destroy() }
  },
}
