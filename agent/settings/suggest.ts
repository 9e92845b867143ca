export { editDistance, nearest } from '../terms/terms.js'
